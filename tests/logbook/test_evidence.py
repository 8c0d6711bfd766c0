"""Evidence: the same bytes every time, and everything in it can be computed again, also by hand."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
import math
import re
import shlex
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from speedlog.cli.evidence import page as real_page
from speedlog.cli.main import app
from speedlog.errors import SpeedlogError
from speedlog.logbook import claim as claims
from speedlog.logbook import results, rows
from speedlog.logbook.backup import backup
from speedlog.logbook.evidence import SUMS, Evidence, make, sums
from speedlog.logbook.evidence_check import check
from speedlog.logbook.evidence_zip import packed
from speedlog.logbook.store import Logbook
from speedlog.logbook.two_way import Rule
from speedlog.session.day import SessionReview

RULE = Rule("Pavement rule", 3600.0, "times", 0.01)
SENTENCE = (  # word for word as the issue has it
    "Hashes show that the files are unchanged since this computer took them in; they don't show who recorded them. "
    "The estimate is not an official speed."
)


def plain_page(day: SessionReview, made: dt.datetime) -> str:
    return f"{day.session.name}: {[item.entry.number for item in day.reviews]} {made.isoformat()}\n"


@pytest.fixture(scope="module")
def source(kept_file: Path) -> Iterator[Logbook]:
    with Logbook.open(kept_file, read_only=True) as found:
        yield found


@pytest.fixture(scope="module")
def made(source: Logbook) -> Evidence:
    """Passes 1 and 2, there and back, with an attachment; a short page in place of the report."""
    passes = [rows.pass_row(source, 1), rows.pass_row(source, 2)]
    return make(source, passes, plain_page, rule=RULE, attachments={"slip.jpg": b"\xff\xd8 invented"})


@pytest.fixture
def zip_file(made: Evidence, tmp_path: Path) -> Path:
    path = tmp_path / "claim.zip"
    path.write_bytes(made.zipped)
    return path


def readme(made: Evidence) -> str:
    return made.files["README.txt"].decode("utf-8")


def test_the_same_bytes_again_and_from_a_copy(made: Evidence, source: Logbook, tmp_path: Path) -> None:
    backup(source, tmp_path / "copy.db")
    with Logbook.open(tmp_path / "copy.db", read_only=True) as copy:
        passes = [rows.pass_row(copy, 1), rows.pass_row(copy, 2)]
        again = make(copy, passes, plain_page, rule=RULE, attachments={"slip.jpg": b"\xff\xd8 invented"})
    assert again.zipped == made.zipped


def test_what_is_in_it(made: Evidence, day_folder: Path) -> None:
    with zipfile.ZipFile(io.BytesIO(made.zipped)) as zipped:
        assert zipped.namelist() == sorted(made.files)
    assert sorted(made.files) == [
        "README.txt", "SHA256SUMS", "attachments/slip.jpg", "claim.json", "course/Oldfen runway.toml",
        "originals/p01_front.nmea", "originals/p01_rear.csv", "originals/p02_controller.csv",
        "originals/p02_front.nmea", "pass-1/review.json", "pass-2/review.json", "report.html",
    ]  # fmt: skip
    for name in ("p01_front.nmea", "p01_rear.csv", "p02_front.nmea", "p02_controller.csv"):
        assert made.files[f"originals/{name}"] == (day_folder / name).read_bytes()
    assert made.files["course/Oldfen runway.toml"] == (day_folder / "course.toml").read_bytes()
    listed = dict(reversed(line.split("  ", 1)) for line in made.files[SUMS].decode().splitlines())
    assert listed == {
        name: hashlib.sha256(data).hexdigest() for name, data in made.files.items() if name != SUMS
    }
    claim = json.loads(made.files["claim.json"])
    assert claim["rule"] == {"name": "Pavement rule", "window_s": 3600.0, "mean": "times", "least_gain": 0.01}
    assert [item["trap"] for item in claim["passes"]] == ["160.0 mph", "170.2 mph"]
    assert claim["passes"][0]["measured"]["motor_temp_after"]["text"] == "38 °C"


def test_the_report_is_dated_by_the_newest_result(made: Evidence, source: Logbook) -> None:
    newest = max(str(row.result.made_at) for row in rows.passes(source)[:2] if row.result)
    assert (
        made.files["report.html"].decode() == f"Invented morning: [1, 2] {newest.replace('Z', '000+00:00')}\n"
    )


def test_the_real_report_is_the_same_twice(source: Logbook) -> None:
    passes = [rows.pass_row(source, 1)]
    one, other = (make(source, passes, real_page).files["report.html"] for _ in range(2))
    assert one == other and b"Invented morning" in one and b"First of the day." in one


def test_the_text_says_what_hashes_do_not_show(made: Evidence) -> None:
    assert SENTENCE in " ".join(readme(made).split())
    assert "verified" not in readme(made).lower()


def test_its_commands_give_the_same_figures(
    made: Evidence, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with zipfile.ZipFile(io.BytesIO(made.zipped)) as zipped:
        zipped.extractall(tmp_path)
    monkeypatch.chdir(tmp_path)
    commands = [
        shlex.split(line)[1:] for line in readme(made).splitlines() if line.startswith("speedlog review")
    ]
    assert len(commands) == 2
    done = CliRunner().invoke(app, commands[1])
    assert done.exit_code == 0, done.output
    again = json.loads((tmp_path / "again-2.json").read_text(encoding="utf-8"))
    kept = json.loads(made.files["pass-2/review.json"])
    assert again["passes"][0]["trap"] == kept["passes"][0]["trap"]
    assert again["passes"][0]["verdict"] == kept["passes"][0]["verdict"]


def test_its_way_by_hand_gives_its_numbers(made: Evidence) -> None:
    """Only the text's own formula and numbers, and the log's sentences, read here by splitting at commas."""
    text = " ".join(readme(made).split())
    lat0, north, heading = map(
        float, re.search(r"\(lat - ([\d.]+)\) x ([\d.]+) x cos\(([\d.]+)°\)", text).groups()
    )
    lon0, east = map(float, re.search(r"\(lon - \((-[\d.]+)\)\) x ([\d.]+) x sin", text).groups())
    times, along = [], []
    for line in made.files["originals/p01_front.nmea"].decode("ascii").splitlines():
        cells = line.split(",")
        if cells[0][3:] != "RMC" or cells[2] != "A":
            continue
        lat = float(cells[3][:2]) + float(cells[3][2:]) / 60
        lon = -(float(cells[5][:3]) + float(cells[5][3:]) / 60)
        turn = math.radians(heading)
        along.append((lat - lat0) * north * math.cos(turn) + (lon - lon0) * east * math.sin(turn))
        clock = cells[1]
        times.append(int(clock[:2]) * 3600 + int(clock[2:4]) * 60 + float(clock[4:]))

    def at(beam: float) -> float:
        k = next(k for k in range(len(along) - 1) if along[k] < beam <= along[k + 1])
        return times[k] + (beam - along[k]) / (along[k + 1] - along[k]) * (times[k + 1] - times[k])

    speed = 30 / (at(550) - at(520))
    found = re.search(r"p01_front.nmea.*?30 m / ([\d.]+) s = ([\d.]+) m/s = ([\d.]+) mph", text)
    # flat formula against geodesics: millimetres over half a kilometre
    assert float(found[2]) == pytest.approx(speed, abs=0.005)
    assert float(found[3]) == pytest.approx(speed / 0.44704, abs=0.02)
    assert "No epoch lies between the beams" in text  # pass 2: the logger missed the trap


def test_the_two_way_mean_is_that_of_the_official_figures(made: Evidence) -> None:
    # by hand: 2 / (1/160.0 + 1/170.2) = 164.94 mph; (160.0 + 170.2) / 2 = 165.1 mph
    assert re.search(r"mean of the times   164\.94 mph, .*\(counts\)", readme(made))
    assert "mean of the speeds  165.10 mph" in readme(made)


def test_a_claim_comes_back_from_its_json(made: Evidence, source: Logbook) -> None:
    again = claims.from_json(made.files)
    assert claims.as_json(again) == claims.as_json(made.claim)
    for item, before in zip(again.passes, made.claim.passes, strict=True):
        assert item.inputs == before.inputs
        assert item.inputs.sha256 == rows.pass_row(source, item.row.id).result.inputs_sha256


def test_corrections_are_told(book: Logbook) -> None:
    with book.writing("misheard at the line"):
        book.run("UPDATE pass SET note = 'Second of the day.' WHERE id = 1")
    made = make(book, [rows.pass_row(book, 1)], plain_page)
    text = " ".join(readme(made).split())
    assert "pass 1, note: First of the day. -> Second of the day." in text and "misheard at the line" in text


def test_no_evidence_of_a_stale_or_failed_result(book: Logbook) -> None:
    with book.writing("misheard"):
        book.run("UPDATE pass SET trap_text = '161 mph' WHERE id = 1")
    with pytest.raises(SpeedlogError, match="speedlog logbook refresh"):
        make(book, [rows.pass_row(book, 1)], plain_page)
    with pytest.raises(SpeedlogError, match="given twice"):
        make(book, [rows.pass_row(book, 2)] * 2, plain_page)
    with book.writing("a test"):
        book.run("UPDATE result SET review = NULL, error = 'no drive' WHERE pass_id = 2")
    with pytest.raises(SpeedlogError, match="pass 2 has no review: no drive"):
        make(book, [rows.pass_row(book, 2)], plain_page)


def test_sound_evidence_is_unchanged_and_recomputes(zip_file: Path, made: Evidence) -> None:
    found = check(zip_file, plain_page)
    assert (found.changed, found.differing, found.left_out) == ((), (), ())
    assert found.sha256 == made.sha256 and found.files == 12


def changed(made: Evidence, zip_file: Path, name: str, data: bytes | None, *, summed: bool) -> Path:
    """The zip with one file changed or taken out; `summed`: by somebody who also mended SHA256SUMS."""
    files = {key: value for key, value in made.files.items() if key != name}
    if data is not None:
        files[name] = data
    if summed:
        files[SUMS] = sums({key: value for key, value in files.items() if key != SUMS})
    zip_file.write_bytes(packed(files))
    return zip_file


_REVIEWS: dict[str, object] = {}


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each review made once in these tests: what is looked at is something else."""
    real = results.review_of

    def once(inputs, **more):
        if inputs.sha256 not in _REVIEWS:
            _REVIEWS[inputs.sha256] = real(inputs, **more)
        return _REVIEWS[inputs.sha256]

    monkeypatch.setattr(results, "review_of", once)


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize(
    ("name", "data", "summed", "changes", "differs"),
    [
        ("attachments/slip.jpg", b"another", False, ["attachments/slip.jpg: changed"], []),
        ("attachments/slip.jpg", None, False, ["attachments/slip.jpg: missing"], []),
        ("attachments/more.jpg", b"slipped in", False, ["attachments/more.jpg: not in SHA256SUMS"], []),
        ("report.html", b"a better one", True, [], ["report.html: comes out otherwise"]),
        ("README.txt", b"believe me", True, [], ["README.txt: comes out otherwise"]),
        ("pass-1/review.json", b"[[[", True, [], ["pass-1/review.json: "]),
        ("pass-1/review.json", None, True, [], ["pass-1/review.json: "]),
        ("originals/p01_rear.csv", None, True, [], ["claim.json: can't be used"]),
        ("claim.json", b"[" * 100_000, True, [], ["claim.json: can't be used"]),
        (
            "claim.json",
            b'{"schema_version": 1, "passes": [{"session": 3}]}',
            True,
            [],
            ["claim.json: can't be used"],
        ),
        ("course/Oldfen runway.toml", b"name = ", True, [], ["course: not a course.toml"]),
        ("course/Oldfen runway.toml", b"\xff", True, [], ["course: not a course.toml"]),
    ],
)
def test_the_file_at_fault_is_named(
    made: Evidence,
    zip_file: Path,
    name: str,
    data: bytes | None,
    summed: bool,
    changes: list[str],
    differs: list[str],
) -> None:
    found = check(changed(made, zip_file, name, data, summed=summed), plain_page)
    assert list(found.changed) == changes
    assert len(found.differing) == len(differs)
    assert all(text.startswith(said) for text, said in zip(found.differing, differs, strict=True))


@pytest.mark.usefixtures("quick")
def test_a_figure_made_better_does_not_recompute(made: Evidence, zip_file: Path) -> None:
    kept = json.loads(made.files["pass-1/review.json"])
    kept["passes"][0]["trap"]["estimate_mps"] *= 1.01
    found = check(
        changed(made, zip_file, "pass-1/review.json", json.dumps(kept).encode(), summed=True), plain_page
    )
    assert found.unchanged and not found.recomputes
    assert found.differing[0].startswith("pass-1/review.json: passes.0.trap.estimate_mps: ")


def test_a_changed_original_does_not_recompute(made: Evidence, zip_file: Path) -> None:
    log = made.files["originals/p02_front.nmea"]
    found = check(
        changed(made, zip_file, "originals/p02_front.nmea", log[: len(log) // 2], summed=True), plain_page
    )
    assert found.unchanged and not found.recomputes


@pytest.mark.usefixtures("quick")
def test_a_bit_of_the_zip_turned_over_is_a_changed_file(made: Evidence, zip_file: Path) -> None:
    data = bytearray(made.zipped)
    data[data.index(b"\xff\xd8 invented") + 4] ^= 1
    zip_file.write_bytes(data)
    assert list(check(zip_file, plain_page).changed) == ["attachments/slip.jpg: changed"]
    zip_file.write_bytes(made.zipped + b"more")
    [text] = check(zip_file, plain_page).changed
    assert text.startswith("claim.zip: packed anew by another program")


@pytest.mark.usefixtures("quick")
def test_elsewhere_pages_are_left_out_and_figures_may_differ_by_a_millionth(
    made: Evidence, zip_file: Path
) -> None:
    claim = json.loads(made.files["claim.json"])
    for item in claim["passes"]:
        item["environment"]["system"] = "Elsewhere"
    kept = json.loads(made.files["pass-1/review.json"])
    kept["passes"][0]["trap"]["estimate_mps"] *= 1 + 0.9e-6
    files = dict(made.files) | {
        "claim.json": json.dumps(claim).encode(),
        "pass-1/review.json": json.dumps(kept).encode(),
    }
    del files[SUMS]
    files[SUMS] = sums(files)
    zip_file.write_bytes(packed(files))
    found = check(zip_file, plain_page)
    assert found.recomputes and [text.split(":")[0] for text in found.left_out] == [
        "report.html",
        "README.txt",
    ]


def test_another_zip_is_no_evidence(zip_file: Path) -> None:
    zip_file.write_bytes(packed({"a.txt": b"x"}))
    with pytest.raises(SpeedlogError, match="no evidence: SHA256SUMS is not in it"):
        check(zip_file, plain_page)
