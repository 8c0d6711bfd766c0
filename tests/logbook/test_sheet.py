"""The timekeeper's sheet: read by words, matched by time, then by order, never guessed."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.logbook import rows
from speedlog.logbook.sheet import SheetRow, read_sheet
from speedlog.logbook.sheet_match import add_sheet, match
from speedlog.logbook.store import Logbook
from speedlog.settings import LogbookSettings

SETTINGS = LogbookSettings()
HOUR = 3600.0


def written(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "times.csv"
    path.write_bytes(text.encode(encoding))
    return path


def row(
    line: int, clock_s: float | None = None, figure: str | None = "180 mph", number: int | None = None
) -> SheetRow:
    return SheetRow(line, number, clock_s, None, "", figure)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Run,Time,Speed (mph)\n1,10:12:30,187.5\n", (1, 36750.0, "187.5 mph")),
        ("Pass no.;Time of day;Speed\n7;10:12;187,5 mph\n", (7, 36720.0, "187,5 mph")),
        ("Club day\n\nNo.\tClock\tTrap speed km/h\n3\t2:05 pm\t301\n", (3, 50700.0, "301 km/h")),
        ("Pass;Elapsed time (s)\n2;0.3721\n", (2, None, "0.3721 s")),
        ("#,ET (ms),mph\n2,372.1,180.3\n", (2, None, "180.3 mph")),
        ("Run;Time (UTC);Speed\n;;[km/h]\n4;09:12;301,5\n", (4, 33120.0, "301,5 km/h")),
        ("Run,Speed (mph),Speed (km/h)\n5,187.5,301.8\n", (5, None, "187.5 mph")),
        ("Run,Time (s)\n5,0.3721\n", (5, None, "0.3721 s")),
        ("Time,Average speed (m/s)\n2026-08-22 10:12:30,83.8\n", (None, 36750.0, "83.8 m/s")),
    ],
)
def test_trade_words(tmp_path: Path, text: str, expected: tuple[object, ...]) -> None:
    """By hand: 10:12:30 is 36,750 s after midnight, 2:05 pm 50,700 s."""
    (found,) = read_sheet(written(tmp_path, text))
    assert (found.number, found.clock_s, found.figure) == expected and found.problem is None


def test_encodings_of_spreadsheets(tmp_path: Path) -> None:
    text = "Run;Time;Speed (km/h);Driver\n1;10:12;301,5;Ångström\n"
    for encoding in ("utf-8-sig", "utf-16", "latin-1"):
        (found,) = read_sheet(written(tmp_path, text, encoding))
        assert (found.figure, found.car) == ("301,5 km/h", "Ångström")


def test_what_is_no_sheet_is_one_line(tmp_path: Path) -> None:
    for text, problem in (
        ("Run,Time\n1,10:12\n", "no column of speeds"),
        ("Run,Speed\n1,187.5\n", 'line 2: "187.5" has no unit'),
        ("nothing at all", "no column of speeds"),
        ("Run,Elapsed\n1,0.37\n", "has no unit"),
        ("Run,Average speed (mph),Trap speed (mph)\n1,187,188\n", "several columns of figures"),
        ("Run,Top speed (mph)\n1,187\n", "no column of speeds"),  # a top speed is no trap figure
    ):
        with pytest.raises(SpeedlogError) as error:
            read_sheet(written(tmp_path, text))
        assert problem in str(error.value) and "\n" not in str(error.value)


def test_a_row_that_cannot_be_read_is_kept_as_such(tmp_path: Path) -> None:
    text = "Run,Time,Speed (mph)\n1,10:12,no time\n2,25:12,180\n3,10:20,0\n4,10:30,\n"
    found = read_sheet(written(tmp_path, text))
    assert [item.figure for item in found] == [None] * 4
    assert [bool(item.problem) for item in found] == [True, True, True, False]


@given(st.binary(max_size=400))
def test_any_bytes_give_rows_or_one_line(data: bytes) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.csv"
        path.write_bytes(b"Run,Time,Speed (mph)\n" + data)
        try:
            found = read_sheet(path)
        except SpeedlogError as error:
            assert "\n" not in str(error)
        else:
            assert all(item.figure is None or "mph" in item.figure or item.figure for item in found)


def test_by_time_of_day_on_both_sides_of_the_tolerance() -> None:
    near, far = SETTINGS.sheet_tolerance_s - 1, SETTINGS.sheet_tolerance_s + 1
    found = match([row(2, 10 * HOUR + near)], [10 * HOUR], SETTINGS)
    assert [place for _, place in found.pairs] == [0] and not found.left
    found = match([row(2, 10 * HOUR + far)], [10 * HOUR], SETTINGS)
    assert not found.pairs and found.left[0][1] == "no pass is kept at that time"


def test_around_midnight() -> None:
    found = match([row(2, 5.0)], [24 * HOUR - 5.0], SETTINGS)
    assert [place for _, place in found.pairs] == [0]


def test_two_passes_near_one_time_are_never_guessed() -> None:
    found = match([row(2, 10 * HOUR)], [10 * HOUR - 30, 10 * HOUR + 40], SETTINGS)
    assert not found.pairs and "2 passes are near" in found.left[0][1]


def test_two_rows_near_one_pass_are_never_guessed() -> None:
    found = match([row(2, 10 * HOUR - 30), row(3, 10 * HOUR + 30)], [10 * HOUR], SETTINGS)
    assert not found.pairs and all("2 rows are near" in why for _, why in found.left)


def test_without_times_by_order_only_where_the_counts_agree() -> None:
    three = [row(n) for n in (2, 3, 4)]
    assert [place for _, place in match(three, [None] * 3, SETTINGS).pairs] == [0, 1, 2]
    found = match(three, [None] * 4, SETTINGS)
    assert not found.pairs and "not as many rows as passes" in found.left[0][1]


def test_between_two_that_are_sure_by_order() -> None:
    """Rows at 10:00 and 11:00 with one between them that says no time; passes at 10:00, 10:30, 11:00, 12:00."""
    sheet = [row(2, 10 * HOUR), row(3), row(4, 11 * HOUR)]
    found = match(sheet, [hour * HOUR for hour in (10, 10.5, 11, 12)], SETTINGS)
    assert {item.line: place for item, place in found.pairs} == {2: 0, 3: 1, 4: 2}


def test_a_row_with_another_time_is_not_matched_by_order() -> None:
    found = match([row(2, 9 * HOUR)], [10 * HOUR], SETTINGS)
    assert not found.pairs


def test_a_sheet_from_the_last_to_the_first() -> None:
    sheet = [row(2, number=3), row(3, number=2), row(4, number=1)]
    found = match(sheet, [None] * 3, SETTINGS)
    assert {item.number: place for item, place in found.pairs} == {1: 0, 2: 1, 3: 2}


@given(st.permutations(list(range(6))), st.sets(st.integers(0, 5)))
def test_no_pass_gets_two_rows_and_no_row_two_passes(order: list[int], without: set[int]) -> None:
    sheet = [row(n, None if n in without else (10 + order[n]) * HOUR) for n in range(6)]
    found = match(sheet, [(10 + n) * HOUR for n in range(6)], SETTINGS)
    places = [place for _, place in found.pairs]
    assert len(set(places)) == len(places) and len(found.pairs) + len(found.left) == 6
    for item, place in found.pairs:
        assert item.clock_s is None or item.clock_s == (10 + place) * HOUR


def test_figures_reach_the_passes_in_the_zone_of_the_course(book: Logbook, tmp_path: Path) -> None:
    """The course lies in Europe/London, in August an hour before UTC; pass 3 was driven at 10:05 UTC."""
    session = rows.sessions(book)[0]
    text = (
        "Run,Time,Car,Speed (mph)\n1,10:12,Long Shrike,160.0\n2,10:31,Long Shrike,171.0\n"
        "3,11:05,Long Shrike,179.5\n9,11:05,Another,150\n"
    )
    sheet = read_sheet(written(tmp_path, text))
    done = add_sheet(book, sheet, session)
    assert [(item.line, found.id, found.trap_text) for item, found in done.taken] == [(4, 3, "179.5 mph")]
    assert done.taken[0][1].result is not None and done.taken[0][1].result.verdict is not None
    assert done.same == 1
    assert [(item.line, found.id) for item, found, _ in done.contradictions] == [(3, 2)]
    assert done.left == ((sheet[3], "of another car (Another)"),)
    assert rows.pass_row(book, 2).trap_text == "170.2 mph"
    again = add_sheet(book, sheet, session)
    assert not again.taken and again.same == 2


def test_the_time_beside_a_speed_is_the_same_figure(book: Logbook, tmp_path: Path) -> None:
    session = rows.sessions(book)[0]
    text = "Time,Speed (mph),Elapsed (s)\n11:05,179.5,0.3739\n"
    with book.writing("a test"):
        book.run("UPDATE pass SET trap_text = '0.3739 s' WHERE id = 3")
    done = add_sheet(book, read_sheet(written(tmp_path, text)), session)
    assert (done.same, done.taken, done.contradictions) == (1, (), ())


def test_times_in_utc_are_brought_to_the_venues_clock(book: Logbook, tmp_path: Path) -> None:
    """10:05 UTC is 11:05 in Europe/London in August; as local time it would be no pass's."""
    session = rows.sessions(book)[0]
    done = add_sheet(book, read_sheet(written(tmp_path, "UTC,Speed (mph)\n10:05,179.5\n")), session)
    assert [(item.clock_s, found.id) for item, found in done.taken] == [(11 * HOUR + 300, 3)]


def test_a_spreadsheets_own_file_says_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "times.xlsx"
    path.write_bytes(b"PK\x03\x04")
    with pytest.raises(SpeedlogError, match="Save it as CSV"):
        read_sheet(path)
