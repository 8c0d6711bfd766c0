"""`speedlog pit`: the local page for use at the runway."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from speedlog.cli.options import LogbookFile
from speedlog.errors import plain


def pit(
    port: Annotated[
        int | None,
        typer.Option(
            "--port", metavar="N", min=0, max=65535, help="Otherwise 8417, or the next that is free."
        ),
    ] = None,
    watch: Annotated[
        Path | None,
        typer.Option(
            "--watch", metavar="FOLDER", help="Take new logs from here, such as a card reader's folder."
        ),
    ] = None,
    lan: Annotated[
        bool, typer.Option("--lan", help="Let phones in the same network in, each with a code shown here.")
    ] = False,
    starter: Annotated[
        bool, typer.Option("--starter", help="Only write a file to double-click, on the desktop.")
    ] = False,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Don't open the browser.")] = False,
    logbook: LogbookFile = None,
) -> None:
    """The pit page: drop the logs, type the trap figure, read the verdict. On this computer alone, in its browser.

    Example: speedlog pit --watch E:/LOGS
    """
    if starter:
        from speedlog.pit.starter import desktop, write_starter

        print(
            f'Wrote "{plain(write_starter(desktop(), _options(port, watch, lan, no_browser, logbook)), 300)}".'
        )
        print("Double-click it to open the pit page.")
        return
    from speedlog.logbook.where import logbook_path
    from speedlog.pit.server import Serving, serve

    serve(
        Serving(logbook_path(logbook), port, watch, lan, not no_browser),
        lambda text: print(text, flush=True),
    )


def _options(
    port: int | None, watch: Path | None, lan: bool, no_browser: bool, logbook: Path | None
) -> list[str]:
    """The options again, for the file; paths whole, as it starts in another folder."""
    words = [] if port is None else ["--port", str(port)]
    words += [] if watch is None else ["--watch", str(watch.absolute())]
    words += ["--lan"] * lan + ["--no-browser"] * no_browser
    return words + ([] if logbook is None else ["--logbook", str(logbook.absolute())])
