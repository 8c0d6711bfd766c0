"""add: a session.toml and bare files end in the same rows; nothing twice, nothing overwritten."""

from __future__ import annotations

import gzip
import shutil
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from speedlog.errors import SpeedlogError
from speedlog.logbook import content, rows
from speedlog.logbook.add import FileOptions, add_files, add_session
from speedlog.logbook.store import Logbook
from speedlog.session import load_session, review_session
from speedlog.vehicle.facts import facts_of
from speedlog.vehicle.passes import with_cost


def as_told(book: Logbook) -> list[dict[str, Any]]:
    """What is kept of every pass, without ids, moments and names of sessions."""
    found = []
    for row in rows.passes(book):
        logs = sorted((item.name, item.sha256) for item in rows.recordings(book, row.id))
        told = {
            name: getattr(row, name)
            for name in ("date", "venue", "car", "number", "start_utc", "end_utc", "trap_text", "note")
        }
        told |= {"setup": dict(row.setup), "stated": row.stated, "measured": dict(row.measured), "logs": logs}
        assert row.result is not None
        found.append(told | {"result": replace(row.result, made_at="", inputs_sha256="")})
    return found


def test_what_is_kept_is_what_the_session_reviews(book: Logbook, day_folder: Path) -> None:
    """Against `review_session` on the files themselves, with what each pass, seen by itself, cost the car."""
    day = load_session(day_folder / "session.toml")
    expected = review_session(day).reviews
    for row, wanted in zip(rows.passes(book), expected, strict=True):
        assert wanted.review is not None
        facts = facts_of(wanted.entry.setup, wanted.entry.weather, wanted.entry.measured)
        passes = with_cost(wanted.review.passes, facts, day.course, left=False)
        kept = rows.review_json(book, row.id)
        assert kept is not None and kept == replace(wanted.review, passes=passes).as_json()
        trap = wanted.drives[0].trap
        assert trap is not None and row.result is not None
        assert row.result.estimate_mps == trap.estimate_mps
        assert (
            row.start_utc is not None
            and row.start_utc[:19] == f"{wanted.drives[0].start_utc:%Y-%m-%dT%H:%M:%S}"
        )


def test_the_facts_are_as_written(book: Logbook) -> None:
    one, two, three = rows.passes(book)
    assert (one.session, one.date, one.venue, one.car) == (
        "Invented morning",
        "2026-08-22",
        "Oldfen runway",
        "Long Shrike",
    )
    assert [item.number for item in (one, two, three)] == [1, 2, 3]
    assert (one.trap_text, two.trap_text, three.trap_text) == ("160.0 mph", "170.2 mph", None)
    assert two.setup == {**one.setup, "current_limit": "125 A"} and two.stated == {"current_limit"}
    assert one.weather == {"wind": "2.5 m/s from 250", "qnh": "1016 hPa", "elevation": "31 m"}
    assert two.weather["wind"] == "3 m/s from 255"
    assert one.note == "First of the day." and one.measured == {"motor_temp_after": "38 °C"}


def test_the_same_session_twice_changes_nothing(book: Logbook, day_folder: Path) -> None:
    before = [tuple(row) for table in ("pass", "recording", "content", "result", "amendment", "session")
              for row in book.rows(f"SELECT * FROM {table}")]  # fmt: skip
    done = add_session(book, load_session(day_folder / "session.toml"))
    after = [tuple(row) for table in ("pass", "recording", "content", "result", "amendment", "session")
             for row in book.rows(f"SELECT * FROM {table}")]  # fmt: skip
    assert before == after
    assert [(item.new, item.filled, item.contradictions) for item in done.passes] == [(False, (), ())] * 3


def test_single_files_end_in_the_same_rows(book: Logbook, empty: Logbook, day_folder: Path) -> None:
    one = FileOptions(
        course=day_folder / "course.toml", trap="160.0 mph", car="Long Shrike", wind="2.5 m/s from 250",
        note="First of the day.", measured={"motor_temp_after": "38 °C"},
        setup={"tyre": "medium, glued", "wheel_diameter": "88 mm", "gear_ratio": 1.0, "current_limit": "95 A"},
    )  # fmt: skip
    add_files(empty, [day_folder / "p01_front.nmea"], one)
    done = add_files(empty, [day_folder / "p01_rear.csv"], FileOptions())  # found later in the evening
    assert [(item.new, item.filled) for item in done.passes] == [(False, ("log p01_rear.csv",))]
    logs = [day_folder / "p02_front.nmea", day_folder / "p02_controller.csv"]
    wind = "3 m/s from 255"  # the session.toml's own, said of each pass here
    add_files(empty, logs, FileOptions(trap="170.2 mph", changes={"current_limit": "125 A"}, wind=wind))
    add_files(empty, [day_folder / "p03_rear.csv"], FileOptions(wind=wind))
    assert as_told(empty) == as_told(book)
    assert {item.session for item in rows.passes(empty)} == {"Oldfen runway, 2026-08-22"}


def test_a_session_added_after_its_files_takes_its_passes_over(
    empty: Logbook, book: Logbook, day_folder: Path
) -> None:
    add_files(empty, [day_folder / "p01_front.nmea"], FileOptions(course=day_folder / "course.toml"))
    add_session(empty, load_session(day_folder / "session.toml"))
    assert as_told(empty) == as_told(book)
    assert {item.session for item in rows.passes(empty)} == {"Invented morning"}


def test_another_value_is_told_and_not_taken(book: Logbook, day_folder: Path) -> None:
    options = FileOptions(
        trap="171.0 mph",
        note="Other words.",
        measured={"motor_temp_after": "40 °C"},
        changes={"current_limit": "95 A"},
    )
    done = add_files(book, [day_folder / "p02_front.nmea"], options)
    assert len(done.passes) == 1 and not done.passes[0].new
    assert done.passes[0].contradictions == (
        'trap: kept "170.2 mph", now "171.0 mph"', 'current_limit: kept "125 A", now "95 A"',
    )  # fmt: skip
    assert done.passes[0].filled == ("note Other words.", "motor_temp_after 40 °C")
    assert rows.pass_row(book, 2).trap_text == "170.2 mph"


def test_a_file_that_cannot_be_read_keeps_nothing(empty: Logbook, day_folder: Path, tmp_path: Path) -> None:
    broken = tmp_path / "notes.txt"
    broken.write_text("Nothing that a logger wrote.\n", encoding="utf-8")
    with pytest.raises(SpeedlogError):
        add_files(empty, [day_folder / "p01_front.nmea", broken], FileOptions())
    with pytest.raises(SpeedlogError, match="--to NUMBER"):
        add_files(empty, [day_folder / "p02_controller.csv"], FileOptions())
    with pytest.raises(SpeedlogError, match="is not a number with a unit"):
        add_files(empty, [day_folder / "p01_front.nmea"], FileOptions(trap="fast"))
    assert not empty.rows("SELECT * FROM content") and not empty.rows("SELECT * FROM pass")


def test_a_packed_day_is_kept_as_its_own_logs(empty: Logbook, day_folder: Path, tmp_path: Path) -> None:
    """The bytes that the logger wrote are the evidence: kept under the log's own name, known again unpacked."""
    logs = sorted(path for path in day_folder.iterdir() if path.name.startswith("p01_"))
    packed = tmp_path / "day.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in logs:
            archive.write(path, f"day/{path.name}")
        archive.writestr("photo.jpg", b"\xff\xd8\xff\xe0" * 20)
    added = add_files(empty, [packed], FileOptions(course=day_folder / "course.toml"))
    assert any(
        note.startswith("1 file in day.zip passed over, being no log: photo.jpg") for note in added.notes
    )
    (row,) = rows.passes(empty)
    kept = {item.name: content.get(empty, item.content_id) for item in rows.recordings(empty, row.id)}
    assert kept == {path.name: path.read_bytes() for path in logs}
    one = tmp_path / f"{logs[0].name}.gz"
    one.write_bytes(gzip.compress(logs[0].read_bytes()))
    for again in ([packed], logs, [one]):
        assert not any(item.new or item.filled for item in add_files(empty, again, FileOptions()).passes)
    assert empty.row("SELECT count(*) AS n FROM recording")["n"] == len(logs)


def test_a_session_toml_takes_packed_logs(empty: Logbook, day_folder: Path, tmp_path: Path) -> None:
    logs = sorted(path for path in day_folder.iterdir() if path.name.startswith("p01_"))
    with zipfile.ZipFile(tmp_path / "p1.zip", "w") as archive:
        for path in logs:
            archive.write(path, path.name)
        archive.writestr("notes.txt", "windy")
    shutil.copy(day_folder / "course.toml", tmp_path)
    text = 'name = "packed"\ncourse = "course.toml"\n[[pass]]\nnumber = 1\nlogs = ["p1.zip"]\ntrap = "160.0 mph"\n'
    (tmp_path / "session.toml").write_text(text, "utf-8")
    session = load_session(tmp_path / "session.toml")
    (reviewed,) = review_session(session).reviews
    added = add_session(empty, session)
    assert next(text for item in added.passes for text in item.unread).startswith(
        "1 file in p1.zip passed over"
    )
    (row,) = rows.passes(empty)
    assert sorted(item.name for item in rows.recordings(empty, row.id)) == [path.name for path in logs]
    assert row.result is not None and reviewed.drives[0].trap is not None
    assert row.result.estimate_mps == reviewed.drives[0].trap.estimate_mps
