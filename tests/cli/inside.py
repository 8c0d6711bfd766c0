"""The command line inside this process: a second less a call than a process of its own, for all but start-up."""

from __future__ import annotations

import contextlib
import gc
import io
import os
import sys
from pathlib import Path
from subprocess import CompletedProcess
from unittest import mock

from speedlog.cli.main import main


def run(*words: str, cwd: Path | None = None) -> CompletedProcess[bytes]:
    """`speedlog WORDS...`: its exit, and what it wrote."""
    out, told = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="\n") for _ in range(2))
    before, threshold, code = Path.cwd(), gc.get_threshold(), 0
    try:
        os.chdir(cwd or before)
        with (
            mock.patch.object(sys, "argv", ["speedlog", *words]), mock.patch("atexit.register"),
            contextlib.redirect_stdout(out), contextlib.redirect_stderr(told),
        ):  # fmt: skip
            main()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(bool(end.code))
    finally:
        os.chdir(before)
        gc.set_threshold(*threshold)
    written = []
    for stream in (out, told):
        stream.flush()
        written.append(stream.buffer.getvalue())  # type: ignore[attr-defined]  # a BytesIO
    return CompletedProcess(words, code, *written)


def mistake(*words: str, cwd: Path | None = None) -> str:
    """The one line of a mistake; anything else fails the test."""
    return line_of(run(*words, cwd=cwd))


def line_of(done: CompletedProcess[bytes]) -> str:
    text = done.stderr.decode("utf-8")
    assert done.returncode == 2, text
    assert text.startswith("speedlog: ") and text.count("\n") == 1 and "Traceback" not in text, text
    assert not done.stdout
    return text
