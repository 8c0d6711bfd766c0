"""speedlog evidence: two answers, never a third."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from speedlog.cli import evidence
from speedlog.errors import SpeedlogError
from speedlog.logbook.add import FileOptions, add_files
from speedlog.logbook.evidence_text import SAID
from speedlog.logbook.evidence_zip import packed, read_zip
from speedlog.logbook.rules import set_rule
from speedlog.logbook.store import Logbook


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(evidence, "page", lambda day, made: f"{day.session.name} {made.isoformat()}\n")
    app = typer.Typer()
    app.command()(evidence.evidence)

    def call(*words: object):
        return CliRunner().invoke(app, [str(word) for word in words])

    return call


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One pass of one log."""
    from speedlog.demo import sample_folder

    file = tmp_path_factory.mktemp("book") / "logbook.db"
    with Logbook.open(file, create=True) as book:
        options = FileOptions(course=sample_folder() / "course.toml", trap="160.0 mph", car="Long Shrike")
        add_files(book, [sample_folder() / "p01_front.nmea"], options)
    return file


def test_made_and_checked(run, path: Path, tmp_path: Path) -> None:
    slip = tmp_path / "slip.jpg"
    slip.write_bytes(b"invented")
    zipped = tmp_path / "claim.zip"
    done = run(1, "--out", zipped, "--attach", slip, "--logbook", path)
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith(f"{zipped}: 1 pass, 8 files, ") and done.stdout.endswith(f"{SAID}\n")
    done = run("check", zipped)
    assert done.exit_code == 0
    assert done.stdout.splitlines()[:2] == [
        "unchanged: 8 files are as their hashes in the zip say",
        "re-computes: all figures come out again from the originals (made by speedlog 0.1.0)",
    ]
    assert done.stdout.endswith(f"{SAID}\n") and "verified" not in done.stdout.lower()
    files = {name: data for name, data in read_zip(zipped).files.items() if data is not None}
    zipped.write_bytes(packed(files | {"attachments/slip.jpg": b"another"}))
    done = run("check", zipped)
    assert done.exit_code == evidence.FOUND and done.stdout.startswith(
        "changed: attachments/slip.jpg: changed\n"
    )
    done = run("check", zipped, "--json", "-")
    found = json.loads(done.stdout)
    assert (found["unchanged"], found["re_computes"]) == (False, True)


def test_the_rule_is_the_named_one_or_the_only_one(run, path: Path, tmp_path: Path) -> None:
    with Logbook.open(path) as book:
        set_rule(book, "first", window="60 min")
    assert 'By the rule "first".' in run(1, "--out", tmp_path / "a.zip", "--logbook", path).stdout
    with Logbook.open(path) as book:
        set_rule(book, "second", window="30 min")
    assert "By the rule" not in run(1, "--out", tmp_path / "b.zip", "--logbook", path).stdout
    done = run(1, "--out", tmp_path / "c.zip", "--rule", "Second", "--logbook", path)
    assert 'By the rule "second".' in done.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("1",), "where shall it be written?"),
        (("check",), "check takes one zip"),
        (("check", "a.zip", "b.zip"), "check takes one zip"),
        (("check", "nowhere.zip"), "no such file"),
        (("1", "--out", "c.zip", "--attach", "nowhere.jpg"), "no such file"),
        (("9", "--out", "c.zip"), "no pass 9 in the logbook"),
        (("1", "1", "--out", "c.zip"), "a pass is given twice"),
    ],
)
def test_mistakes_are_one_line(run, path: Path, words: tuple[str, ...], said: str) -> None:
    done = run(*words, "--logbook", path)
    assert isinstance(done.exception, SpeedlogError) and said in str(done.exception)


def test_an_attachment_over_its_limit(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from speedlog import settings

    small = settings.LogbookSettings(attachment_biggest_mb=1e-5)  # ten bytes
    monkeypatch.setattr(settings, "LogbookSettings", lambda: small)
    slip = tmp_path / "slip.jpg"
    slip.write_bytes(b"0123456789")
    assert evidence._attached([slip]) == {"slip.jpg": b"0123456789"}
    slip.write_bytes(b"0123456789a")
    with pytest.raises(SpeedlogError, match="over the limit"):
        evidence._attached([slip])
