"""Corrections: what was, what is, when and why; and what hangs on it is reviewed again."""

from __future__ import annotations

from pathlib import Path

import pytest

from speedlog.errors import SpeedlogError
from speedlog.logbook import rows
from speedlog.logbook.add import FileOptions, add_files
from speedlog.logbook.amend import Corrections, amend, amendments
from speedlog.logbook.store import Logbook


def pairs(found: list) -> dict[str, tuple[str | None, str | None]]:  # type: ignore[type-arg]
    return {item.field: (item.old, item.new) for item in found}


def test_a_trap_figure_put_right_is_reviewed_again(book: Logbook) -> None:
    """120 mph for 160: the logs of the pass say 159.9 (as the session's own review does), so the verdict doubts it."""
    before = rows.pass_row(book, 1).result
    found = amend(book, 1, Corrections(trap="120.0 mph"), "a try")
    assert pairs(found)["trap_text"] == ("160.0 mph", "120.0 mph")
    row = rows.pass_row(book, 1)
    assert before is not None and row.result is not None
    assert (before.verdict, row.result.verdict) == ("agree", "trap_figure_doubtful")
    assert row.result.official_mps == pytest.approx(120 * 0.44704)
    assert row.result.estimate_mps == before.estimate_mps
    amend(book, 1, Corrections(trap="160.0 mph"), "no, it was right")
    kept = [(item.old, item.new, item.reason) for item in amendments(book, 1) if item.field == "trap_text"]
    assert kept == [("160.0 mph", "120.0 mph", "a try"), ("120.0 mph", "160.0 mph", "no, it was right")]


def test_a_figure_given_to_the_wrong_pass_is_taken_out(book: Logbook) -> None:
    amend(book, 2, Corrections(trap=""), "another car's")
    row = rows.pass_row(book, 2)
    assert row.trap_text is None and row.result is not None and row.result.official_mps is None


def test_every_other_field(book: Logbook) -> None:
    wanted = Corrections(
        note="Other words.", number=9, wind="5 m/s from 240", weather={"temperature": "25 °C"},
        setup={"current_limit": "130 A", "tyre": ""},
        measured={"motor_temp_after": "61 °C", "motor_temp_before": "19 °C"},
        session_name="Named anew", date="2026-08-23", car="Another",
    )  # fmt: skip
    found = pairs(amend(book, 1, wanted, "all wrong"))
    row = rows.pass_row(book, 1)
    assert (row.note, row.number, row.session, row.date, row.car) == (
        "Other words.", 9, "Named anew", "2026-08-23", "Another",
    )  # fmt: skip
    assert row.weather["wind"] == "5 m/s from 240" and row.weather["temperature"] == "25 °C"
    assert row.setup["current_limit"] == "130 A" and "tyre" not in row.setup and "tyre" not in row.stated
    assert row.measured == {"motor_temp_after": "61 °C", "motor_temp_before": "19 °C"}
    assert found["number"] == ("1", "9") and found["motor_temp_after"] == ("38 °C", "61 °C")
    assert found["motor_temp_before"] == (None, "19 °C") and found["car"] == ("Long Shrike", "Another")
    review = rows.review_json(book, 1)
    assert review is not None and review["passes"][0]["wind"]["text"] == "5 m/s from 240"


def test_the_pressure_of_a_pass_replaces_the_sessions_qnh(book: Logbook) -> None:
    amend(book, 1, Corrections(weather={"pressure": "1010 hPa"}), "read at the place")
    assert "qnh" not in rows.pass_row(book, 1).weather
    amend(book, 1, Corrections(weather={"pressure": ""}), "no, it was not")
    assert rows.pass_row(book, 1).weather["qnh"] == "1016 hPa"


@pytest.mark.parametrize(
    ("wanted", "problem"),
    [
        (Corrections(trap="160.0 mph"), "nothing to change"),
        (Corrections(trap="fast"), "not a number with a unit"),
        (Corrections(number=2), "is that of pass 2 already"),
        (Corrections(number=0), "is no number of a pass"),
        (Corrections(wind="a breeze"), "is not a speed and a direction"),
        (Corrections(weather={"mood": "fine"}), "not a key"),
        (Corrections(setup={"currnt_limit": "1 A"}), "current_limit"),
        (Corrections(setup={"body": ""}), "says nothing of body"),
        (Corrections(measured={"motor_temp_after": "61"}), "no unit"),
        (Corrections(date="12.7.2026"), "is not a date"),
        (Corrections(part="other.csv"), "p01_rear.csv"),
        (Corrections(session_name=" "), "1 to 200 characters"),
    ],
)
def test_a_mistake_changes_nothing(book: Logbook, wanted: Corrections, problem: str) -> None:
    before = [tuple(row) for row in book.rows("SELECT * FROM pass")]
    with pytest.raises(SpeedlogError) as error:
        amend(book, 1, wanted, "a try")
    assert problem in str(error.value)
    assert [tuple(row) for row in book.rows("SELECT * FROM pass")] == before
    assert not book.rows("SELECT * FROM amendment")


def test_no_reason_no_correction(book: Logbook) -> None:
    with pytest.raises(SpeedlogError, match="needs a reason"):
        amend(book, 1, Corrections(trap="161 mph"), "  ")


def test_the_course_of_a_session_put_right_is_that_of_all_its_passes(
    book: Logbook, day_folder: Path, tmp_path: Path
) -> None:
    """The same trap, 0.3 m longer by the tape: every estimate of a speed through it moves."""
    text = (day_folder / "course.toml").read_text("utf-8")
    longer = tmp_path / "taped.toml"
    longer.write_text(text.replace("exit_m = 550.000", "exit_m = 550.300"), encoding="utf-8")
    before = [row.result for row in rows.passes(book)]
    amend(book, 1, Corrections(course=longer), "taped again")
    after = [row.result for row in rows.passes(book)]
    for was, now in zip(before, after, strict=True):
        assert was is not None and now is not None
        assert now.trap_length_m == pytest.approx(30.3) and was.trap_length_m == pytest.approx(30.0)
        assert now.inputs_sha256 != was.inputs_sha256
    assert rows.course_of(book, 2) == longer.read_bytes()


def test_a_log_that_belongs_elsewhere_is_parted_and_kept(book: Logbook) -> None:
    amend(book, 1, Corrections(part="p01_rear.csv"), "another car's logger")
    assert [item.name for item in rows.recordings(book, 1)] == ["p01_front.nmea"]
    assert len(rows.recordings(book)) == 5
    review = rows.review_json(book, 1)
    assert review is not None and [item["file"] for item in review["recordings"]] == ["p01_front.nmea"]


def test_a_pass_set_aside_is_left_out_and_not_added_again(book: Logbook, day_folder: Path) -> None:
    amend(book, 3, Corrections(set_aside=True), "a test drive in the yard")
    assert [row.id for row in rows.passes(book)] == [1, 2]
    assert not add_files(book, [day_folder / "p03_rear.csv"], FileOptions()).passes[0].new
    assert [row.id for row in rows.passes(book)] == [1, 2]
    amend(book, 3, Corrections(set_aside=False), "it was one after all")
    assert [row.id for row in rows.passes(book)] == [1, 2, 3]
