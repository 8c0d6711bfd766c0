"""The `speedlog` command: registers the commands, and turns every mistake into one line and exit 2.

The commands import what they need inside their functions, so that start-up stays light.
"""

from __future__ import annotations

import io
import os
import sys
from typing import Annotated, NoReturn

import typer
from typer.exceptions import TyperException

import speedlog
from speedlog.cli.add import add
from speedlog.cli.car import car_app
from speedlog.cli.compare import compare
from speedlog.cli.course import course_app
from speedlog.cli.demo import demo
from speedlog.cli.evidence import evidence
from speedlog.cli.export import export
from speedlog.cli.forecast import forecast
from speedlog.cli.history import history
from speedlog.cli.history_rules import rule, target
from speedlog.cli.inspect import inspect
from speedlog.cli.logbook import logbook_app
from speedlog.cli.logbook_keep import backup, merge, verify
from speedlog.cli.pit import pit
from speedlog.cli.report import report
from speedlog.cli.review import review
from speedlog.cli.variadic import Variadic
from speedlog.errors import SpeedlogError, plain

USER_MISTAKE = 2
STOPPED = 130  # what a shell reports for Ctrl-C

app = typer.Typer(
    name="speedlog",
    help="How fast did it really go through the trap, how surely, and why do the loggers disagree?",
    epilog="Start with: speedlog demo",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    add_completion=False,
)
app.command("demo")(demo)
app.command("inspect")(inspect)
app.command("review")(review)
app.command("report")(report)
app.command("add")(add)
app.command("history")(history)
app.command("compare")(compare)
app.command("evidence")(evidence)
app.command("export")(export)
app.command("forecast", cls=Variadic)(forecast)
app.command("pit")(pit)
for command in (verify, backup, merge, target, rule):
    logbook_app.command(command.__name__)(command)
app.add_typer(logbook_app, name="logbook")
app.add_typer(course_app, name="course")
app.add_typer(car_app, name="car")


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"speedlog {speedlog.__version__}")
        raise typer.Exit()


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and stop."),
    ] = False,
) -> None:
    pass


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


def _one_line(message: str) -> NoReturn:
    print(f"speedlog: {message}", file=sys.stderr)
    sys.exit(USER_MISTAKE)


def main() -> None:
    """Run the command line. Exit 0 done, 2 for the user's mistake with one line on stderr."""
    _speak_utf8()
    _one_thread()
    try:
        sys.exit(app(standalone_mode=False) or 0)
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
