"""The seeded simulator behind the sample data and the benchmarks, and where the sample data lie.

A car drives a pass by its own equations (`car`, `truth`), loggers watch it with their noise and
faults (`gnss`, `disturb`, `controller`), writers make the files (`writers`). Nothing here imports
physics, fusion, vehicle, faults or course: an equation that were wrong there would be wrong here
too, and no test would notice.
"""

from __future__ import annotations

import importlib.resources
from pathlib import Path

from speedlog.errors import SpeedlogError


def sample_folder() -> Path:
    """The folder of the invented meeting: in the installed package, or at the top of a checkout.

    Raises:
        SpeedlogError: it is in neither place.
    """
    package = importlib.resources.files("speedlog")
    for place in (Path(str(package)) / "sample_data", Path(str(package)).parent / "sample_data"):
        if (place / "session.toml").is_file():
            return place
    raise SpeedlogError(
        "the sample data are missing from this installation",
        todo="Install speedlog again, or make them: python -m speedlog.demo.make sample_data",
    )
