"""The list of the commands, and the application made of all of them or of the one that is asked for.

Each command's module brings its options, and building those takes longer than many a command: so one
that is named is built alone.
"""

from __future__ import annotations

from collections.abc import Collection
from importlib import import_module
from typing import Annotated, Any

import typer

import speedlog
from speedlog.cli.variadic import Variadic

# (name, module below speedlog.cli, its function or application), in the order of --help
COMMANDS = (
    ("demo", "demo", "demo"),
    ("inspect", "inspect", "inspect"),
    ("review", "review", "review"),
    ("report", "report", "report"),
    ("add", "add", "add"),
    ("history", "history", "history"),
    ("compare", "compare", "compare"),
    ("evidence", "evidence", "evidence"),
    ("export", "export", "export"),
    ("forecast", "forecast", "forecast"),
    ("pit", "pit", "pit"),
    ("logbook", "logbook", "logbook_app"),
    ("course", "course", "course_app"),
    ("car", "car", "car_app"),
)
NAMES = tuple(name for name, _, _ in COMMANDS)
# commands of `logbook` that stand in modules of their own
_OF_LOGBOOK = (
    ("verify", "logbook_keep"), ("backup", "logbook_keep"), ("merge", "logbook_keep"),
    ("target", "history_rules"), ("rule", "history_rules"),
)  # fmt: skip


def build(names: Collection[str] = NAMES) -> typer.Typer:
    """The application with these commands."""
    app = typer.Typer(
        name="speedlog",
        help="How fast did it really go through the trap, how surely, and why do the loggers disagree?",
        epilog="Start with: speedlog demo",
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        add_completion=False,
    )
    app.callback()(_options)
    for name, module, attribute in COMMANDS:
        if name in names:
            _register(app, name, getattr(import_module(f"speedlog.cli.{module}"), attribute))
    return app


def _register(app: typer.Typer, name: str, what: Any) -> None:
    if isinstance(what, typer.Typer):
        there = {item.name for item in what.registered_commands}
        for command, module in _OF_LOGBOOK if name == "logbook" else ():
            if command not in there:
                what.command(command)(getattr(import_module(f"speedlog.cli.{module}"), command))
        app.add_typer(what, name=name)
    elif name == "forecast":
        app.command(name, cls=Variadic)(what)
    else:
        app.command(name)(what)


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"speedlog {speedlog.__version__}")
        raise typer.Exit()


def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and stop."),
    ] = False,
) -> None:
    pass
