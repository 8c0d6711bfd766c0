"""The way of the data: a stage never imports a later one, and start-up stays light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "speedlog"
# in the order in which the data flow; what stands below all comes first
ORDER = [
    ("errors",), ("cores",), ("units",), ("settings",), ("running",), ("samples",),
    ("results_quantity",), ("results_car",), ("results",),
    ("physics",),
    ("importers",), ("course",), ("faults",), ("fusion",), ("reconcile",), ("vehicle",), ("pipeline",),
    ("session",), ("logbook",), ("report",), ("demo",), ("pit",), ("cli",),
]  # fmt: skip
RANK = {name: place for place, names in enumerate(ORDER) for name in names}
BESIDE = {
    "demo": {"physics", "fusion", "faults", "course", "reconcile", "importers"}
}  # its equations are its own


def stage_of(path: Path) -> str:
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def imported_stages(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.ImportFrom) and node.module:  # "from speedlog import __version__" is no stage
            names = (
                [node.module]
                if node.module != "speedlog"
                else [f"speedlog.{item.name}" for item in node.names]
            )
        elif isinstance(node, ast.Import):
            names = [item.name for item in node.names]
        found |= {name.split(".")[1] for name in names if name.startswith("speedlog.")} - {"__version__"}
    return found


FILES = sorted(path for path in PACKAGE.rglob("*.py") if stage_of(path) not in ("__init__", "__main__"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_stage_imports_a_later_one(path: Path) -> None:
    mine = stage_of(path)
    for other in imported_stages(path):
        assert other in RANK, f"{other} has no place in the order of the stages"
        assert RANK[other] <= RANK[mine], f"{path.name} ({mine}) imports {other}, a later stage"
        assert other not in BESIDE.get(mine, set()), f"{mine} must not know {other}"


def test_every_stage_of_the_package_has_a_place() -> None:
    there = {stage_of(path) for path in FILES}
    assert there <= set(RANK), there - set(RANK)


def test_starting_up_imports_no_heavy_library() -> None:
    heavy = {"numpy", "pandas", "scipy", "plotly", "pyproj", "jinja2", "gpxpy", "pynmea2"}
    code = "import sys, speedlog, speedlog.cli.main; print(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not heavy & {name.partition(".")[0] for name in done.stdout.split()}
