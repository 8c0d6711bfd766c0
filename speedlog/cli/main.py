"""The `speedlog` command: runs the command that is named, and turns every mistake into one line and exit 2.

The commands import what they need inside their functions, so that start-up stays light.
"""

from __future__ import annotations

import atexit
import gc
import io
import os
import sys
from typing import Any, NoReturn

import speedlog
from speedlog.errors import SpeedlogError, plain

USER_MISTAKE = 2
STOPPED = 130  # what a shell reports for Ctrl-C


def __getattr__(name: str) -> Any:
    """`app`, the application with all commands, when it is asked for."""
    if name != "app":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from speedlog.cli.commands import build

    globals()["app"] = app = build()
    return app


def _speak_utf8() -> None:
    """UTF-8 output even when piped: Windows would use the code page of 1995 and fail on a "±"."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(encoding="utf-8", errors="replace")


def _one_thread() -> None:
    """Linear algebra on one thread, unless the user has said otherwise; before NumPy is imported.

    The matrices are a dozen rows: threads waiting for one another doubled the time of a review.
    """
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def _collect_seldom() -> None:
    """The imports make half a million lasting objects, which Python's collector would look through ten times over."""
    gc.set_threshold(100_000, 20, 100)
    atexit.register(gc.freeze)  # and once more at the end, when the system takes all memory back anyway


def _one_line(message: str) -> NoReturn:
    print(f"speedlog: {message}", file=sys.stderr)
    sys.exit(USER_MISTAKE)


def main() -> None:
    """Run the command line. Exit 0 done, 2 for the user's mistake with one line on stderr."""
    if sys.argv[1:] == ["--version"]:
        print(f"speedlog {speedlog.__version__}")
        return
    _speak_utf8()
    _one_thread()
    _collect_seldom()
    import typer  # late: --version needs none of it
    from typer.exceptions import TyperException

    from speedlog.cli.commands import NAMES, build

    named = sys.argv[1:2]
    try:
        app = build(named if named and named[0] in NAMES else NAMES)
        code = app(standalone_mode=False) or 0
        if code == STOPPED:  # typer swallows Ctrl-C
            raise KeyboardInterrupt
        sys.exit(code)
    except SpeedlogError as error:
        _one_line(str(error))
    except TyperException as error:
        text = plain(error.format_message() if hasattr(error, "format_message") else str(error), 600)
        _one_line(f"{text.rstrip('.')}. See: speedlog --help")
    except (KeyboardInterrupt, typer.Abort):
        print("speedlog: stopped; nothing was left half-written", file=sys.stderr)
        sys.exit(STOPPED)
    except BrokenPipeError:
        # the reader (head, less) went away: not a mistake, and nothing more to say
        sys.stderr.close()
        sys.exit(0)
    except MemoryError:
        _one_line("out of memory. Close other programs, or give fewer or smaller files.")
