"""The one base error: what is wrong, where, and what to do, in one line.

Every mistake that a user can make ends in a `SpeedlogError`; the command line turns it into one
line on stderr and exit code 2 (`speedlog.cli.main`), and nothing else in the program does that.
"""

from __future__ import annotations

import os
import re

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]+")
_LONGEST_QUOTE = 120  # characters of a stranger's text that a message repeats at the most


def plain(text: object, longest: int = _LONGEST_QUOTE) -> str:
    """Text from a log, made fit for one line of a terminal: no control characters, not too long."""
    line = _CONTROL.sub(" ", str(text)).strip()
    return line if len(line) <= longest else line[: longest - 1] + "…"


class SpeedlogError(Exception):
    """A mistake of the user's, told in one line.

    Args:
        problem: what was found and what was expected, without a full stop.
        file: the file in which it was found.
        line: its line number, counted from 1.
        todo: what the user can do now, as a sentence.
    """

    def __init__(
        self,
        problem: str,
        *,
        file: str | os.PathLike[str] | None = None,
        line: int | None = None,
        todo: str | None = None,
    ) -> None:
        self.problem = plain(problem, 600)
        self.file = None if file is None else plain(os.fspath(file), 300)
        self.line = line
        self.todo = None if todo is None else plain(todo, 600)
        super().__init__(self.problem)

    def __str__(self) -> str:
        where = [part for part in (self.file, f"line {self.line}" if self.line else None) if part]
        head = f"{', '.join(where)}: " if where else ""
        tail = f". {self.todo}" if self.todo else ""
        return f"{head}{self.problem}{tail}"
