"""A logger left switched on, logs without a date, files found later: each pass once, with all of its logs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from speedlog.errors import SpeedlogError
from speedlog.logbook import rows
from speedlog.logbook.add import FileOptions, add_files, add_unlogged
from speedlog.logbook.amend import Corrections, amend
from speedlog.logbook.store import Logbook


def course(folder: Path, **more: Any) -> FileOptions:
    return FileOptions(course=folder / "course.toml", car="A car", **more)


def log_names(book: Logbook, pass_id: int) -> list[str]:
    return [item.name for item in rows.reviewed_recordings(book, pass_id)]


@pytest.fixture
def growing(day_folder: Path, tmp_path: Path) -> tuple[Path, Path, Path]:
    """The file of a logger left on: cut in the middle of its first pass, after it, and after the second."""
    first = (day_folder / "p01_front.nmea").read_bytes()
    second = (day_folder / "p02_front.nmea").read_bytes()
    paths = tmp_path / "cut.nmea", tmp_path / "one.nmea", tmp_path / "two.nmea"
    for path, data in zip(paths, (first[: len(first) * 6 // 10], first, first + second), strict=True):
        path.write_bytes(data)
    return paths


def test_each_longer_file_updates_its_passes_and_doubles_none(
    empty: Logbook, day_folder: Path, growing: tuple[Path, Path, Path]
) -> None:
    cut, one, two = growing
    add_files(empty, [cut], course(day_folder))
    began = rows.pass_row(empty, 1)
    done = add_files(empty, [one], FileOptions(trap="160.0 mph"))
    assert [item.new for item in done.passes] == [False]
    whole = rows.pass_row(empty, 1)
    assert whole.start_utc == began.start_utc and str(whole.end_utc) > str(began.end_utc)
    assert log_names(empty, 1) == ["one.nmea"] and whole.trap_text == "160.0 mph"

    done = add_files(empty, [two], FileOptions(trap="170.2 mph"))  # the figure is the new pass's
    assert [(item.row.id, item.new) for item in done.passes] == [(1, False), (2, True)]
    assert [item.trap_text for item in rows.passes(empty)] == ["160.0 mph", "170.2 mph"]
    # the first pass is whole in the shorter file: it isn't reviewed from an ever longer one
    assert (log_names(empty, 1), log_names(empty, 2)) == (["one.nmea"], ["two.nmea"])
    assert [item.superseded_by for item in rows.recordings(empty)] == [2, 3, None]
    whole_ends = {row["field"] for row in empty.rows("SELECT field FROM amendment WHERE what = 'pass'")}
    assert "end_utc" in whole_ends


def test_the_order_of_adding_does_not_matter(
    empty: Logbook, day_folder: Path, growing: tuple[Path, Path, Path]
) -> None:
    for path in growing[::-1]:
        add_files(empty, [path], course(day_folder))
    assert len(rows.passes(empty)) == 2
    assert [item.superseded_by for item in rows.recordings(empty)] == [None, 1, 2]
    kept = [row["n"] for row in empty.rows("SELECT count(packed) AS n FROM content WHERE size > 1000")]
    assert kept == [1], "the bytes are kept more than once"
    for path in growing:
        done = add_files(empty, [path], FileOptions())
        assert not any(item.new or item.filled for item in done.passes)


def test_the_review_of_one_drive_of_several_is_that_drives(
    empty: Logbook, day_folder: Path, growing: tuple[Path, Path, Path]
) -> None:
    """Against the same pass from its own file alone: the same bytes of the same drive."""
    from speedlog.course.coursefile import Course
    from speedlog.pipeline import review

    add_files(empty, [growing[2]], course(day_folder, trap={2: "170.2 mph"}))
    alone = review(
        [day_folder / "p02_front.nmea"], course=Course.load(day_folder / "course.toml"), trap="170.2 mph"
    ).as_json()["passes"][0]
    kept = rows.review_json(empty, 2)
    assert kept is not None
    kept_pass = kept["passes"][0]
    assert kept_pass["number"] == 2 and kept_pass["verdict"]["code"] == alone["verdict"]["code"]
    assert kept_pass["trap"]["estimate_mps"] == pytest.approx(alone["trap"]["estimate_mps"], rel=1e-6)


def undated(path: Path, folder: Path) -> Path:
    """A log without its date: only the sentences that say none (NMEA 0183: RMC holds the date, GGA and VTG none)."""
    lines = path.read_text("ascii").splitlines(keepends=True)
    kept = "".join(line for line in lines if line[3:6] in ("GGA", "VTG"))
    out = folder / f"undated_{path.name}"
    out.write_text(kept, encoding="ascii", newline="")
    return out


def test_a_log_without_a_date_is_its_own_pass_and_known_again(
    empty: Logbook, day_folder: Path, tmp_path: Path
) -> None:
    first = undated(day_folder / "p01_front.nmea", tmp_path)
    done = add_files(empty, [first], course(day_folder))
    assert done.passes[0].new and done.passes[0].row.start_utc is None and done.notes[0].startswith("no date")
    assert not add_files(empty, [first], FileOptions()).passes[0].new
    # on another day the same clock times are another pass
    changed = tmp_path / "other.nmea"
    changed.write_bytes(first.read_bytes().replace(b"\n", b"\r\n"))
    assert add_files(empty, [changed], FileOptions()).passes[0].new
    assert len(rows.passes(empty)) == 2


def test_a_log_without_a_date_joins_the_pass_it_comes_with(
    empty: Logbook, day_folder: Path, tmp_path: Path
) -> None:
    first = undated(day_folder / "p01_front.nmea", tmp_path)
    done = add_files(empty, [first, day_folder / "p01_rear.csv"], course(day_folder))
    assert len(done.passes) == 1 and done.passes[0].row.start_utc is not None
    assert sorted(log_names(empty, 1)) == ["p01_rear.csv", "undated_p01_front.nmea"]


def test_a_controllers_log_joins_the_pass_it_came_with_or_the_one_named(
    empty: Logbook, day_folder: Path
) -> None:
    add_files(empty, [day_folder / "p02_front.nmea"], course(day_folder))
    with pytest.raises(SpeedlogError, match="--to NUMBER"):
        add_files(empty, [day_folder / "p02_controller.csv"], FileOptions())
    done = add_files(empty, [day_folder / "p02_controller.csv"], FileOptions(to="1"))
    assert done.passes[0].filled == ("log p02_controller.csv",)
    review = rows.review_json(empty, 1)
    assert review is not None
    assert {item["kind"] for item in review["passes"][0]["loggers"]} == {"gnss", "wheel"}
    done = add_files(empty, [day_folder / "p02_controller.csv"], FileOptions(trap="170.2 mph"))
    assert done.passes[0].filled == ("trap 170.2 mph",), "a kept log names its pass"


def test_the_set_up_is_that_of_the_cars_last_pass(empty: Logbook, day_folder: Path) -> None:
    add_files(
        empty,
        [day_folder / "p01_front.nmea"],
        course(day_folder, setup={"current_limit": "95 A", "tyre": "hard"}),
    )
    add_files(empty, [day_folder / "p03_rear.csv"], FileOptions(changes={"current_limit": "140 A"}))
    add_files(empty, [day_folder / "p02_front.nmea"], FileOptions())  # driven between the two, added last
    one, two, three = rows.passes(empty)
    assert (one.setup["current_limit"], two.setup["current_limit"], three.setup["current_limit"]) == (
        "95 A", "95 A", "140 A",
    )  # fmt: skip
    assert three.setup["tyre"] == "hard" and three.stated == {"current_limit"} and two.stated == frozenset()


def test_figures_that_do_not_fit_are_refused(
    empty: Logbook, day_folder: Path, growing: tuple[Path, Path, Path]
) -> None:
    for trap in (["1 mph", "2 mph", "3 mph"], {3: "180 mph"}):
        with pytest.raises(SpeedlogError, match="trap figure"):
            add_files(empty, [growing[2]], course(day_folder, trap=trap))
    assert not empty.rows("SELECT 1 FROM pass") and not empty.rows("SELECT 1 FROM content")


def test_a_mapping_of_columns_is_kept_and_used(empty: Logbook, day_folder: Path, tmp_path: Path) -> None:
    """The rear logger's header taken away: only the mapping tells them."""
    text = (day_folder / "p03_rear.csv").read_text("utf-8").splitlines()
    bare = tmp_path / "bare.csv"
    bare.write_text("\n".join(text[1:]) + "\n", encoding="utf-8", newline="\n")
    mapping = tmp_path / "map.toml"
    lines = ["header_line = 0", "[columns]",
             'time = { column = 1, form = "date and time" }', "lat_deg = { column = 2 }",
             "lon_deg = { column = 3 }", 'speed_mps = { column = 4, unit = "km/h" }']  # fmt: skip
    mapping.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(SpeedlogError):
        add_files(empty, [bare], course(day_folder))
    add_files(empty, [bare], course(day_folder, columns=mapping))
    (name, data, columns) = rows.originals(empty, 1)[0]
    assert (name, data, columns) == ("bare.csv", bare.read_bytes(), mapping.read_bytes())
    assert rows.review_json(empty, 1) is not None


def test_what_is_said_of_many_kept_passes_at_once_is_refused(
    empty: Logbook, day_folder: Path, growing: tuple[Path, Path, Path]
) -> None:
    add_files(empty, [growing[2]], course(day_folder))
    with pytest.raises(SpeedlogError, match="which one is meant"):
        add_files(empty, [growing[2]], FileOptions(note="the second one"))


def test_a_figure_without_a_course_is_refused(empty: Logbook, day_folder: Path) -> None:
    with pytest.raises(SpeedlogError, match="needs the course"):
        add_files(empty, [day_folder / "p01_front.nmea"], FileOptions(trap="160 mph"))
    assert not empty.rows("SELECT 1 FROM pass")
    done = add_files(
        empty, [day_folder / "p01_front.nmea"], FileOptions()
    )  # a peak is worth keeping without one
    assert done.passes[0].row.result is not None and done.passes[0].row.result.peak_mps is not None


def test_a_set_up_file_is_the_whole_car(empty: Logbook, day_folder: Path) -> None:
    add_files(
        empty, [day_folder / "p01_front.nmea"], course(day_folder, setup={"tyre": "hard", "body": "long"})
    )
    add_files(
        empty, [day_folder / "p03_rear.csv"], FileOptions(setup={"tyre": "soft"}, changes={"ramp": "1 s"})
    )
    assert rows.pass_row(empty, 2).setup == {"tyre": "soft", "ramp": "1 s"}


def test_a_session_whose_log_cannot_be_read_keeps_the_rest(
    empty: Logbook, day_folder: Path, tmp_path: Path
) -> None:
    """An empty file, as a logger leaves it whose power was cut; once it is there whole, it joins its pass."""
    import shutil

    from speedlog.logbook.add import add_session
    from speedlog.session import load_session

    folder = Path(shutil.copytree(day_folder, tmp_path / "day"))
    (folder / "p01_rear.csv").write_bytes(b"")
    done = add_session(empty, load_session(folder / "session.toml"))
    assert (
        done.passes[0].unread == ("p01_rear.csv is not kept: empty: 0 bytes",)
        and len(rows.passes(empty)) == 3
    )
    shutil.copy(day_folder / "p01_rear.csv", folder / "p01_rear.csv")
    done = add_session(empty, load_session(folder / "session.toml"))
    assert done.passes[0].filled == ("log p01_rear.csv",) and done.passes[0].unread == ()


def test_a_session_of_another_name_adds_to_the_one_its_passes_are_in(
    empty: Logbook, day_folder: Path
) -> None:
    from speedlog.logbook.add import add_session
    from speedlog.session import load_session

    add_files(empty, [day_folder / "p01_front.nmea"], course(day_folder, session="Named by hand"))
    done = add_session(empty, load_session(day_folder / "session.toml"))
    assert {row.session for row in rows.passes(empty)} == {"Named by hand"} and len(rows.sessions(empty)) == 1
    assert any("Named by hand" in note for note in done.notes)


def test_a_course_given_later_is_the_sessions(empty: Logbook, day_folder: Path) -> None:
    add_files(empty, [day_folder / "p01_front.nmea"], FileOptions())
    assert rows.pass_row(empty, 1).session == "2026-08-22"
    done = add_files(empty, [day_folder / "p01_front.nmea"], course(day_folder, trap="160.0 mph"))
    row = done.passes[0].row
    assert not done.passes[0].new and row.result is not None and row.result.verdict == "agree"
    assert (row.venue, row.session) == ("Oldfen runway", "Oldfen runway, 2026-08-22")


@pytest.mark.parametrize(("hours", "speed"), [(1.0, 1.0), (5.75, 1.0), (1.0, 1.1)])
def test_a_clock_that_is_hours_off_is_told_and_not_guessed(
    empty: Logbook, day_folder: Path, tmp_path: Path, hours: float, speed: float
) -> None:
    """The same pass by a logger that writes local time as UTC; a car a tenth faster an hour later is another pass."""
    import pandas as pd

    lines = (day_folder / "p01_rear.csv").read_text("utf-8").splitlines()
    moved = [lines[0]]
    for line in lines[1:]:
        cells = line.split(",")
        shifted = pd.Timestamp(cells[0]) + pd.Timedelta(hours=hours)
        cells[0] = shifted.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"
        moved.append(",".join(cells))
    off = tmp_path / "off.csv"
    off.write_text("\n".join(moved) + "\n", encoding="utf-8")
    add_files(empty, [day_folder / "p01_front.nmea"], course(day_folder))
    if speed != 1.0:
        with empty.writing("a test"):
            empty.run("UPDATE result SET estimate_mps = estimate_mps * ?", (speed,))
    done = add_files(empty, [off], FileOptions())
    assert done.passes[0].new
    told = [note for note in done.notes if "looks like pass 1" in note]
    assert [f"{hours:+g} h off" in note for note in told] == ([True] if speed == 1.0 else [])
    if speed == 1.0:  # and what it says to do is right: the clock is matched to the other logger's
        before = rows.pass_row(empty, 1)
        amend(empty, 2, Corrections(set_aside=True), "the same pass")
        add_files(empty, [off], FileOptions(to="1"))
        after = rows.pass_row(empty, 1)
        assert (after.start_utc, after.end_utc) == (before.start_utc, before.end_utc)
        review = rows.review_json(empty, 1)
        assert review is not None and len(review["passes"][0]["loggers"]) == 2
        assert [row.id for row in rows.passes(empty)] == [1]


def test_a_pass_without_a_log_counts_and_takes_its_log_later(empty: Logbook, day_folder: Path) -> None:
    """Read out, not logged: the figure is kept with its interval; 170.2 mph is 76.0862 m/s (NIST SP 811: 0.44704)."""
    add_files(empty, [day_folder / "p01_front.nmea"], course(day_folder, setup={"tyre": "hard"}))
    done = add_unlogged(empty, FileOptions(session="Oldfen runway, 2026-08-22", trap="170.2 mph"))
    row = done.passes[0].row
    assert (row.id, row.number, row.setup["tyre"]) == (2, 2, "hard") and row.result is not None
    assert row.result.error == "No log was kept of this pass."
    assert row.result.official_mps == pytest.approx(170.2 * 0.44704)
    done = add_files(empty, [day_folder / "p02_front.nmea"], FileOptions(to="2"))
    row = done.passes[0].row
    assert row.result is not None and row.result.verdict == "logger_missed_trap" and row.start_utc is not None
    assert not add_files(empty, [day_folder / "p02_front.nmea"], FileOptions()).passes[0].new
    for trap in (None, ["1 mph", "2 mph"]):
        with pytest.raises(SpeedlogError, match="is its figure"):
            add_unlogged(empty, FileOptions(session="2026-08-22", trap=trap))
