"""Writing what a command made: whole or not at all, and never over a file that was read."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from speedlog.errors import SpeedlogError


def write_text(path: Path, text: str, *, inputs: Sequence[Path] = ()) -> None:
    """Write a text (UTF-8, lines end with LF); see `write_bytes`."""
    write_bytes(path, text.encode("utf-8"), inputs=inputs)


def write_bytes(path: Path, data: bytes, *, inputs: Sequence[Path] = ()) -> None:
    """Write a file through a temporary one beside it, then rename.

    Raises:
        SpeedlogError: the folder is missing, the disk says no, or `path` is one of the inputs.
    """
    if any(_same_file(path, item) for item in inputs):
        raise SpeedlogError(
            "would be written over a file it was made from", file=path, todo="Choose another name."
        )
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    except OSError as error:
        raise SpeedlogError(
            f"can't be written ({error.strerror})", file=path, todo="Check the folder."
        ) from None
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        # mkstemp makes files that only their owner may read; a report is made to be shared
        if os.name == "posix":
            part.chmod(0o644)
        part.replace(path)
    except OSError as error:
        raise SpeedlogError(
            f"can't be written ({error.strerror})", file=path, todo="Check the disk."
        ) from None
    finally:
        part.unlink(missing_ok=True)


def write_json(path: Path, content: Any, *, inputs: Sequence[Path] = ()) -> None:
    """Write JSON (UTF-8, no NaN) whole or not at all; "-" prints it instead."""
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, indent=1)
    if str(path) == "-":
        print(text)
    else:
        write_text(path, text + "\n", inputs=inputs)


def _same_file(one: Path, other: Path) -> bool:
    try:
        return one.exists() and other.exists() and one.samefile(other)
    except OSError:
        return False
