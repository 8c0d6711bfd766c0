"""Times and dates in every usual form; each expected instant is worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.importers import Source, delimited
from speedlog.importers.delimited_dates import find_order, parse_date, read_dates, read_stamps
from speedlog.samples import Clock, Recording

JUNE = "2024-06-15T13:45:30"


def load(head: str, *times: str) -> Recording:
    """Rows 0.2 s apart at 20 m/s with these cells as their times (they may hold several columns)."""
    rows = [f"{time},{53.1 + at * 4 / 111_264:.7f},-1.2,20.0" for at, time in enumerate(times)]
    text = "\n".join([f"{head},Latitude,Longitude,Speed (m/s)", *rows]) + "\n"
    return delimited.read(Source("log.csv", text.encode("utf-8")))


def first(found: Recording) -> pd.Timestamp:
    return found.samples.index[0]


# header, cells, the first instant
FORMS = [
    ("Time (UTC)", [f"{JUNE}.000Z", f"{JUNE}.200Z"], f"{JUNE}Z"),
    ("Time", ["2024-06-15T15:45:30.000+02:00", "2024-06-15T15:45:30.200+02:00"], f"{JUNE}Z"),
    ("Time", ["2024-06-15 15:45:30+02", "2024-06-15 15:45:31+02"], f"{JUNE}Z"),
    ("Time (UTC+2)", ["2024-06-15 15:45:30.0", "2024-06-15 15:45:30.2"], f"{JUNE}Z"),
    ("UTC", ["2024-06-15 13:45:30.5", "2024-06-15 13:45:30.7"], f"{JUNE}.5Z"),
    ("Time (UTC)", ["15.06.2024 13:45:30.25", "15.06.2024 13:45:30.45"], f"{JUNE}.25Z"),
    ("Time (UTC)", ['"15/06/2024 13:45:30,25"', '"15/06/2024 13:45:30,45"'], f"{JUNE}.25Z"),
    ("Time (UTC)", ["06/15/2024 1:45:30.25 PM", "06/15/2024 1:45:30.45 PM"], f"{JUNE}.25Z"),
    ("Time (UTC)", ["15-Jun-2024 13:45:30", "15-Jun-2024 13:45:31"], f"{JUNE}Z"),
    ("Time (UTC)", ["2024/06/15 13:45:30.1", "2024/06/15 13:45:30.3"], f"{JUNE}.1Z"),
    ("Time (UTC)", ["20240615T134530Z", "20240615T134531Z"], f"{JUNE}Z"),
    ("Date,Time (UTC)", ["2024-06-15,13:45:30.100", "2024-06-15,13:45:30.300"], f"{JUNE}.1Z"),
    ("Time (UTC),Date", ["13:45:30.100,15.06.24", "13:45:30.300,15.06.24"], f"{JUNE}.1Z"),
    ("Date,UTC", ["150624,134530.10", "150624,134530.30"], f"{JUNE}.1Z"),  # as NMEA 0183 writes them
    ("Date,UTC", ["20240615,134530.10", "20240615,134530.30"], f"{JUNE}.1Z"),
    ("timestamp", ["1718459130", "1718459131"], f"{JUNE}Z"),
    ("unix_time", ["1718459130.25", "1718459130.45"], f"{JUNE}.25Z"),
    ("timestamp", ["1718459130200", "1718459130400"], f"{JUNE}.2Z"),
    ("timestamp", ["1718459130200300", "1718459130400300"], f"{JUNE}.2003Z"),
    ("timestamp", ["1718459130200300400", "1718459130400300400"], f"{JUNE}.2003004Z"),
    ("Time (ms)", ["1718459130200", "1718459130400"], f"{JUNE}.2Z"),
]


@pytest.mark.parametrize(("head", "cells", "wanted"), FORMS)
def test_every_form_of_an_instant(head: str, cells: list[str], wanted: str) -> None:
    found = load(head, *cells)
    assert found.clock is Clock.UTC
    assert first(found) == pd.Timestamp(wanted)
    assert (len(found.samples), found.rejected) == (2, 0)
    assert not any("zone" in warning for warning in found.warnings) or head in ("timestamp", "unix_time")


# header, cells, nanoseconds of the first and the second row
ELAPSED = [
    ("Time (s)", ["0.04", "0.08"], 40_000_000, 80_000_000),
    ("time_ms", ["40", "80"], 40_000_000, 80_000_000),
    ("Elapsed (µs)", ["40", "80"], 40_000, 80_000),
    ("Elapsed time (min:sec)", ["12:05.250", "12:05.450"], 725_250_000_000, 725_450_000_000),
    ("Time", ["2:05.25", "2:05.45"], 125_250_000_000, 125_450_000_000),
    ("Elapsed", ["00:02:05.25", "00:02:05.45"], 125_250_000_000, 125_450_000_000),
    ("Time", ["00:00:00.0", "00:00:00.2"], 0, 200_000_000),
    ("Time (min)", ["0.5", "1.0"], 30_000_000_000, 60_000_000_000),
]


@pytest.mark.parametrize(("head", "cells", "one", "two"), ELAPSED)
def test_every_form_of_elapsed_time(head: str, cells: list[str], one: int, two: int) -> None:
    found = load(head, *cells)
    assert found.clock is Clock.ELAPSED
    assert [time.value for time in found.samples.index] == [one, two]


def test_an_elapsed_time_without_a_unit_is_read_by_its_steps_with_a_warning() -> None:
    seconds = load("Time", "0.00", "0.04", "0.08")
    assert seconds.samples.index[1].value == 40_000_000
    assert any("unit" in warning for warning in seconds.warnings)
    millis = load("Time", "0", "40", "80")
    assert millis.samples.index[1].value == 40_000_000
    assert any("unit" in warning for warning in millis.warnings)
    with pytest.raises(SpeedlogError, match="unit of the time"):
        load("Time", "0", "5000", "10000")


def test_time_of_day_over_midnight_stays_in_order() -> None:
    found = load("UTC time", "23:59:59.800", "00:00:00.000", "00:00:00.200")
    assert found.clock is Clock.TIME_OF_DAY
    assert list(np.diff(found.samples.index.asi8)) == [200_000_000] * 2
    assert any("no date" in warning for warning in found.warnings)


def test_a_date_in_the_preamble_dates_a_time_of_day() -> None:
    rows = "23:59:59.5,100\n00:00:00.5,200\n00:00:01.5,300\n"
    text = f"Device: Q-1\nLog date: 15.06.2024\n\nTime (UTC),RPM\n{rows}"
    found = delimited.read(Source("log.csv", text.encode()))
    assert found.clock is Clock.UTC
    assert found.samples.index[0] == pd.Timestamp("2024-06-15T23:59:59.5Z")
    assert found.samples.index[-1] == pd.Timestamp("2024-06-16T00:00:01.5Z")
    assert any("date 2024-06-15" in warning for warning in found.warnings)


def test_times_without_a_zone_are_read_as_utc_with_a_warning() -> None:
    for head, cell in (
        ("Time", f"{JUNE}.0"),
        ("Time", "15.06.2024 13:45:30"),
        ("Date,Time", "2024-06-15,13:45:30"),
    ):
        found = load(head, cell)
        assert first(found) == pd.Timestamp(f"{JUNE}Z")
        assert any("zone" in warning for warning in found.warnings)


def test_an_instant_is_taken_before_an_elapsed_time() -> None:
    found = load("Time (s),UTC Time", f"0.0,{JUNE}.0Z", f"0.2,{JUNE}.2Z")
    assert found.clock is Clock.UTC and first(found) == pd.Timestamp(f"{JUNE}Z")


def test_several_times_of_one_form_are_told() -> None:
    found = load("Local time,UTC time", f"2024-06-15 15:45:30,{JUNE}", f"2024-06-15 15:45:31,{JUNE[:-1]}1")
    assert first(found) == pd.Timestamp(f"{JUNE}Z")
    assert any('"UTC time" is used, not "Local time"' in warning for warning in found.warnings)


def test_the_order_of_day_and_month_comes_from_any_number_over_12() -> None:
    day = load("Date,Time (UTC)", "12/06/2024,23:59:59", "13/06/2024,00:00:00")
    assert first(day) == pd.Timestamp("2024-06-12T23:59:59Z") and not day.warnings
    month = load("Date,Time (UTC)", "06/12/2024,23:59:59", "06/13/2024,00:00:00")
    assert first(month) == pd.Timestamp("2024-06-12T23:59:59Z") and not month.warnings
    unclear = load("Date,Time (UTC)", "05/06/2024,13:45:30", "05/06/2024,13:45:31")
    assert first(unclear) == pd.Timestamp("2024-06-05T13:45:30Z")
    assert any("date" in warning and "ambiguous" in warning for warning in unclear.warnings)


@pytest.mark.parametrize(
    ("text", "order", "wanted"),
    [
        ("2024-06-15", "dmy", "2024-06-15"),
        ("15.06.2024", "mdy", "2024-06-15"),
        ("15/06/24", "dmy", "2024-06-15"),
        ("06/15/2024", "mdy", "2024-06-15"),
        ("150624", "dmy", "2024-06-15"),
        ("240615", "ymd", "2024-06-15"),
        ("15 June 2024", "dmy", "2024-06-15"),
        ("Jun 15, 2024", "dmy", "2024-06-15"),
        ("Sat 15 Jun 2024", "dmy", "2024-06-15"),
        ("15.06.70", "dmy", "1970-06-15"),
        ("15.06.69", "dmy", "2069-06-15"),
        ("29.02.2024", "dmy", "2024-02-29"),
        ("29.02.2023", "dmy", None),
        ("31.04.2024", "dmy", None),
        ("00.01.2024", "dmy", None),
        ("soon", "dmy", None),
        ("", "dmy", None),
        ("15 Foo 2024", "dmy", None),
    ],
)
def test_dates_by_hand(text: str, order: str, wanted: str | None) -> None:
    days = parse_date(text, order)  # type: ignore[arg-type]
    assert (None if days is None else str(np.datetime64(days, "D"))) == wanted


def test_order_of_dates() -> None:
    assert find_order(["05/06/2024", "05/13/2024"]) == ("mdy", [])
    assert find_order(["05.06.2024"]) == ("dmy", [])  # dots: day first everywhere
    assert find_order(["06/06/2024"]) == ("dmy", [])  # the same either way
    assert find_order(["05/06/2024"])[1]


@given(
    st.lists(
        st.tuples(st.integers(0, 23), st.integers(0, 59), st.integers(0, 59), st.integers(0, 999)), min_size=1
    ),
    st.sampled_from(
        [
            "{}:{:02}:{:02}.{:03}",
            "{:02}:{:02}:{:02},{:03}",
            "{:02}:{:02}:{:02}:{:03}",
            " {:02}:{:02}:{:02}.{:03}Z ",
        ]
    ),
)
def test_clock_times_of_any_way_of_writing(times: list[tuple[int, int, int, int]], way: str) -> None:
    found = read_stamps(np.array([way.format(*time).encode() for time in times]))
    assert found.sound.all()
    expected = [(((h * 60 + m) * 60 + s) * 1000 + ms) * 1_000_000 for h, m, s, ms in times]
    assert found.clock_ns.tolist() == expected


def test_mixed_ways_of_writing_and_broken_cells() -> None:
    cells = [
        b"1:05:00 AM",
        b"12:05:00 AM",
        b"12:05:00 PM",
        b"11:05:00 pm",
        b"25 o'clock",
        b"",
        b"13:61:00",
        b"0:00:60",
    ]
    found = read_stamps(np.array(cells))
    minute = 60_000_000_000
    assert found.sound.tolist() == [True] * 4 + [False] * 4
    assert found.clock_ns[:4].tolist() == [65 * minute, 5 * minute, 725 * minute, 1385 * minute]


def test_many_unreadable_cells_do_not_hide_the_readable_ones() -> None:
    cells = [f"bad {at}".encode() for at in range(500)] + [b"13:45:30"]
    assert read_stamps(np.array(cells)).sound.tolist() == [False] * 500 + [True]


def test_a_date_stays_with_its_rows() -> None:
    days, known, warnings = read_dates(np.array([b"15.06.2024", b"15.06.2024", b"16.06.2024", b"?"]), None)
    assert (
        np.diff(days[:3]).tolist() == [0, 1]
        and known.tolist() == [True, True, True, False]
        and warnings == []
    )


BROKEN = [
    ("Time (UTC)", "2024-06-15T13:45:3{}Z", "0001-01-01T00:00:00Z", "9999-12-31T00:00:00Z"),
    ("Time (UTC)", "15.06.2024 13:45:3{}", "01.01.0001 00:00:00", "31.12.9999 00:00:00"),
    ("Time (s)", "0.{}", "1e300", "inf"),
    ("timestamp", "171845913{}000", "-9e18", "nan"),
    ("Time (UTC)", "2024-06-15T13:45:3{}Z", "2016-12-31T23:59:60Z", "not yet"),
    ("UTC time", "13:45:3{}", "13:45:60", "25 o'clock"),
]


@pytest.mark.parametrize(("head", "good", "one", "two"), BROKEN)
def test_times_that_no_log_can_have_are_rejected_with_their_lines(
    head: str, good: str, one: str, two: str
) -> None:
    cells = [good.format(at) for at in range(10)]
    found = load(head, *cells[:4], one, two, *cells[4:])
    assert (len(found.samples), found.rejected) == (10, 2)
    assert [reject.line for reject in found.rejects] == [6, 7]
