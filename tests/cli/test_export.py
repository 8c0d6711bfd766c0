"""speedlog export: files into a folder, all or none."""

from __future__ import annotations

from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from speedlog.cli.export import export
from speedlog.errors import SpeedlogError
from speedlog.logbook.store import Logbook
from tests.logbook.kept import keep_rows, kept


@pytest.fixture
def run():
    app = typer.Typer()
    app.command()(export)

    def call(*words: object):
        return CliRunner().invoke(app, [str(word) for word in words])

    return call


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "logbook.db"
    with Logbook.open(file, create=True) as book:
        keep_rows(book, [kept(1, trap=80.0), kept(2)])
    return file


def test_a_table_of_all_passes(run, path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out" / "season"
    done = run("--all", "--table", "--to", folder, "--logbook", path)
    assert done.exit_code == 0 and done.stdout == f"{folder / 'passes.csv'}\n"
    assert len((folder / "passes.csv").read_text(encoding="utf-8").splitlines()) == 3
    assert run("--all", "--table", "--to", folder, "--logbook", path).exit_code == 0  # the same again


def test_another_file_of_the_name_is_left_alone(run, path: Path, tmp_path: Path) -> None:
    (tmp_path / "passes.csv").write_text("mine", encoding="utf-8")
    done = run(1, "--table", "--originals", "--to", tmp_path, "--logbook", path)
    assert isinstance(done.exception, SpeedlogError) and "is there already" in str(done.exception)
    assert (tmp_path / "passes.csv").read_text(encoding="utf-8") == "mine"
    assert not list(tmp_path.glob("*.toml"))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--table",), "where shall the files go?"),
        (("--table", "--to", "x"), "which passes?"),
        (("1", "--all", "--table", "--to", "x"), "which passes?"),
        (("1", "--to", "x"), "nothing to export is named"),
        (("1", "--subtitles", "--unit", "kn", "--to", "x"), "is not a unit of the page"),
        (("7", "--table", "--to", "x"), "no pass 7"),
    ],
)
def test_mistakes_are_one_line(run, path: Path, words: tuple[str, ...], said: str) -> None:
    done = run(*words, "--logbook", path)
    assert isinstance(done.exception, SpeedlogError) and said in str(done.exception)
    assert not Path("x").exists()
