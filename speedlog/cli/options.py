"""Options that several commands have, said once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

TrapFigure = Annotated[
    list[str] | None,
    typer.Option(
        "--trap", help='The timekeeper\'s figure: "187.5 mph" or "0.311 s"; 2="187.5 mph" names pass 2.'
    ),
]
Wind = Annotated[str | None, typer.Option("--wind", help='"4 m/s from 250" (true degrees) or "8 mph tail".')]
Measured = Annotated[list[str] | None, typer.Option("--measured", help='By hand: motor_temp_after="61 °C".')]
Columns = Annotated[
    Path | None, typer.Option("--columns", metavar="MAP.toml", help="Your own mapping of a table's columns.")
]
LogbookFile = Annotated[
    Path | None,
    typer.Option(
        "--logbook", metavar="PATH", help="Its file; SPEEDLOG_LOGBOOK or your data folder otherwise."
    ),
]
