"""A file to double-click, so that nobody needs a terminal at the runway."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path

from speedlog.errors import SpeedlogError

NAME = "Speedlog pit"


def starter(system: str, python: str, options: Sequence[str]) -> tuple[str, str]:
    """Name and content of the file.

    Args:
        system: `sys.platform`.
        python: the interpreter that has speedlog.
        options: of `speedlog pit`, each a word.
    """
    words = [python, "-m", "speedlog", "pit", *options]
    if system == "win32":
        # cmd.exe: inside quotes only % is special, and a name can't hold a quote
        line = " ".join(f'"{word.replace("%", "%%")}"' for word in words)
        return (
            f"{NAME}.cmd",
            f"@echo off\r\nchcp 65001 >nul\r\ntitle {NAME}\r\n{line}\r\nif errorlevel 1 pause\r\n",
        )
    line = shlex.join(words)
    if system == "darwin":
        return f"{NAME}.command", f"#!/bin/sh\nexec {line}\n"
    # https://specifications.freedesktop.org/desktop-entry-spec/latest/exec-variables.html
    quoted = " ".join(f'"{_desktop(word)}"' for word in words)
    return (
        f"{NAME}.desktop",
        f"[Desktop Entry]\nType=Application\nName={NAME}\nTerminal=true\nExec={quoted}\n",
    )


def write_starter(folder: Path, options: Sequence[str]) -> Path:
    """Write it into a folder.

    Raises:
        SpeedlogError: it can't be written there.
    """
    name, content = starter(sys.platform, sys.executable, options)
    path = folder / name
    part = path.with_name(f".{name}.part")
    try:
        part.write_bytes(content.encode("utf-8"))
        if os.name == "posix":
            part.chmod(0o755)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise SpeedlogError(
            f"can't be written ({error.strerror})", file=path, todo="Check the folder."
        ) from None
    return path


def desktop() -> Path:
    """The user's desktop, or the current folder where there is none."""
    from platformdirs import user_desktop_path

    found = user_desktop_path()
    return found if found.is_dir() else Path.cwd()


def _desktop(word: str) -> str:
    """A word inside the quotes of an Exec key; the value's own escapes come on top."""
    text = word.replace("%", "%%")
    for mark in ("\\", '"', "`", "$"):
        text = text.replace(mark, "\\" + mark)
    return text.replace("\\", "\\\\")
