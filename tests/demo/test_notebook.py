"""The notebooks run from top to bottom, and are stored without outputs."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

nbformat = pytest.importorskip("nbformat")
nbclient = pytest.importorskip("nbclient")

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


@pytest.fixture
def this_python(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A kernel of the interpreter that runs the tests, whatever kernels the machine knows."""
    import json

    spec = tmp_path / "kernels" / "speedlog-test"
    spec.mkdir(parents=True)
    command = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
    text = json.dumps({"argv": command, "display_name": "test", "language": "python"})
    (spec / "kernel.json").write_text(text, encoding="utf-8")
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path))
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    if sys.platform == "win32":  # the kernel's sockets need it there
        asyncio.set_event_loop_policy(asyncio.WindowsSelectorEventLoopPolicy())
    yield "speedlog-test"


def test_all_are_found() -> None:
    assert [path.name for path in NOTEBOOKS] == [
        "one_gap.ipynb",
        "one_pass.ipynb",
        "season.ipynb",
        "three_passes.ipynb",
    ]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_stored_without_outputs(path: Path) -> None:
    cells = nbformat.read(path, as_version=4).cells
    assert all(not cell.get("outputs") and cell.get("execution_count") is None for cell in cells)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of the kernel's own libraries
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_runs_to_the_end(path: Path, this_python: str, tmp_path: Path) -> None:
    book = nbformat.read(path, as_version=4)
    client = nbclient.NotebookClient(
        book, timeout=120, kernel_name=this_python, resources={"metadata": {"path": str(tmp_path)}}
    )
    client.execute()
    code = [cell for cell in book.cells if cell.cell_type == "code"]
    assert all(cell.execution_count for cell in code)
    # the last table of each compares passes with the truth
    assert "true inside" in str(code[-1].outputs)
