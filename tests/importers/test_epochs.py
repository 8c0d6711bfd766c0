"""The shared end of the importers; all expected numbers by hand from the invented rows."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source
from speedlog.importers.epoch_times import cut_fractions, lone_times, unwrap_midnight
from speedlog.importers.epochs import RawEpochs, build_recording
from speedlog.samples import MOST_REJECTS, Clock, Fix, Recording, check_samples
from speedlog.settings import ReadSettings

START_NS = 1_718_459_130_000_000_000  # 2024-06-15T13:45:30Z
M_PER_DEG = 111_195.0  # one degree of a great circle of the mean sphere, 6371.0088 km


def build(
    time_s: Any,
    clock: Clock = Clock.UTC,
    start_ns: int = START_NS,
    read: ReadSettings | None = None,
    **values: Any,
) -> Recording:
    time_ns = start_ns + np.rint(np.asarray(time_s, dtype=float) * 1e9).astype(np.int64)
    columns = {name: np.asarray(column) for name, column in values.items()}
    return build_recording(
        Source("log", b"bytes"),
        format="nmea",
        clock=clock,
        epochs=RawEpochs(time_ns, np.arange(len(time_ns), dtype=np.int64) + 1, columns),
        rejects=[],
        rejected=0,
        warnings=["from the importer"],
        options=ReadOptions(settings=read or ReadSettings()),
    )


def seconds(recording: Recording) -> list[list[float]]:
    return [[(int(ns) - START_NS) / 1e9 for ns in segment.index.asi8] for segment in recording.segments]


def test_plain_rows() -> None:
    found = build(
        [0, 1, 2], speed_mps=[1.0, np.nan, 3.0], fix=np.array([Fix.THREE_D, None, "none"], dtype=object)
    )
    assert seconds(found) == [[0, 1, 2]] and found.warnings == ("from the importer",) and found.rejected == 0
    assert found.samples["fix"].tolist() == ["3d", np.nan, "none"]
    assert (
        found.sha256 == "277089d91c0bdf4f2e6862ba7e4a07605119431f5d13f726dd352b06f1b206a9"
    )  # sha256sum of "bytes"


@pytest.mark.parametrize(
    ("column", "kept", "hostile"),
    [
        ("speed_mps", 400.0, 400.1),
        ("speed_mps", 0.0, -0.1),
        ("speed_mps", 1.0, np.inf),
        ("speed_mps", 1.0, 1e308),
        ("alt_m", 99_999.0, 100_001.0),
        ("hdop", 100.0, 101.0),
        ("satellites", 0.0, -1.0),
        ("rpm", 5e5, 5.1e5),
        ("voltage_v", 50.0, -np.inf),
        ("motor_temp_c", -60.0, -61.0),
        ("throttle", 1.0, 1.1),
    ],
)
def test_hostile_values_are_left_out_and_counted(column: str, kept: float, hostile: float) -> None:
    found = build([0, 1], **{column: [kept, hostile]})
    assert found.samples[column].iloc[0] == kept and np.isnan(found.samples[column].iloc[1])
    assert found.rejected == 1 and found.rejects[0].line == 2 and column in found.rejects[0].reason
    assert any(column in text for text in found.warnings)


@pytest.mark.parametrize(
    ("lat", "lon"), [(91.0, 1.0), (1.0, 180.1), (np.inf, 1.0), (1.0, np.nan), (np.nan, 1.0)]
)
def test_an_impossible_or_half_position_rejects_its_row(lat: float, lon: float) -> None:
    found = build([0, 1, 2], lat_deg=[1.0, lat, 1.0], lon_deg=[1.0, lon, 1.0])
    assert seconds(found) == [[0, 2]] and found.rejected == 1


def test_limits_of_a_position_themselves_are_kept() -> None:
    assert len(build([0, 1], lat_deg=[90.0, -90.0], lon_deg=[180.0, -180.0]).samples) == 2


def test_a_line_with_several_faults_is_counted_once() -> None:
    assert build([0, 1], lat_deg=[1.0, 91.0], lon_deg=[1.0, 181.0], speed_mps=[1.0, -1.0]).rejected == 1


def test_position_at_the_origin_is_missing() -> None:
    found = build([0, 1], lat_deg=[0.0, 0.0], lon_deg=[0.0, 1e-6])
    assert found.samples["lat_deg"].isna().tolist() == [True, False] and any(
        "0, 0" in t for t in found.warnings
    )


def test_latitude_alone_is_no_position() -> None:
    found = build([0, 1], lat_deg=[1.0, 2.0], speed_mps=[1.0, 2.0])
    assert found.samples["lat_deg"].isna().all() and found.rejected == 0 and len(found.warnings) == 2


def test_track_is_brought_into_the_circle() -> None:
    found = build([0, 1, 2, 3, 4], track_deg=[-10.0, 360.0, 719.0, 721.0, 12.5])
    assert found.samples["track_deg"].fillna(-1).tolist() == [350.0, 0.0, 359.0, -1.0, 12.5]


@pytest.mark.parametrize(
    ("times", "kept", "rejected"),
    [
        ([0, 1, 2, -5, 4, 5], [[0, 1, 2, 4, 5]], 1),  # one row back
        ([0, 1, 2, -5, -4, -3, 6, 7], [[0, 1, 2, 6, 7]], 3),  # three rows back
        ([0, 1, 2, -5, -4, -3, -2, 7, 8], [[0, 1, 2], [-5, -4, -3, -2, 7, 8]], 0),  # four: it stays
        ([0, 1, 2, 99, 4, 5], [[0, 1, 2, 4, 5]], 1),  # one row thrown ahead
        ([0, 1, 2, 1.7, 4, 5], [[0, 1, 2, 4, 5]], 1),
        ([0, 1, 2, 0.5, 1.5, 2.5], [[0, 1, 2], [0.5, 1.5, 2.5]], 0),  # back by 1.5 s, and stays
        ([0, 1, 2, 3, -3], [[0, 1, 2, 3]], 1),  # the last row
        ([50, 1, 2, 3, 4], [[1, 2, 3, 4]], 1),  # the first row
        ([0.3, 0, 1, 2, 3], [[0.3], [0, 1, 2, 3]], 0),  # a clock that settles after its first fix
    ],
)
def test_times_out_of_order(times: list[float], kept: list[list[float]], rejected: int) -> None:
    found = build(times)
    assert seconds(found) == kept and found.rejected == rejected
    assert (len(kept) > 1) == any("clock steps back" in text for text in found.warnings)


def test_a_log_without_order_is_sorted() -> None:
    limit = ReadSettings().most_clock_steps
    stairs = [first + at for first in range(0, -4 * (limit + 1), -4) for at in (0.0, 1.0, 2.0, 3.0)]
    assert len(build(stairs).segments) == limit + 1
    found = build([*stairs, *(at - 4 * (limit + 1) for at in range(4))])
    assert len(found.segments) == 1 and any("sorted" in text for text in found.warnings)
    assert len(found.samples) == 4 * (limit + 2) and found.rejected == 0


def moving(times: list[float], at_m: list[float], speed_mps: float) -> Recording:
    lat = [at / M_PER_DEG for at in at_m]
    return build(times, lat_deg=lat, lon_deg=[1.0] * len(times), speed_mps=[speed_mps] * len(times))


def test_a_clock_that_jumps_ahead_while_the_car_moves_on_by_one_interval() -> None:
    step = moving([0, 0.1, 0.2, 18.3, 18.4], [0, 8, 16, 24, 32], 80.0)
    assert seconds(step) == [[0, 0.1, 0.2], [18.3, 18.4]] and any("steps ahead" in t for t in step.warnings)
    gap = moving([0, 0.1, 0.2, 0.7, 0.8], [0, 8, 16, 56, 64], 80.0)  # 40 m in 0.5 s: epochs are missing
    assert len(gap.segments) == 1
    standing = moving([0, 0.1, 0.2, 60.0, 60.1], [0, 0, 0, 0, 0], 0.1)  # a standing car tells nothing
    assert len(standing.segments) == 1


def test_forward_step_needs_a_moving_car() -> None:
    slow = ReadSettings().step_speed_mps
    for speed, pieces in ((slow - 0.1, 1), (slow + 0.1, 2)):
        assert len(moving([0, 1, 2, 60, 61], [speed * k for k in range(5)], speed).segments) == pieces


def test_cut_fractions_are_spread_over_each_stamp() -> None:
    found = build(np.repeat(np.arange(5), 10), speed_mps=np.arange(50.0))
    assert seconds(found)[0] == pytest.approx(np.arange(50) / 10) and found.rejected == 0
    assert any("spread" in text for text in found.warnings)


def test_cut_fractions_of_a_log_that_starts_between_two_stamps() -> None:
    found = build(np.repeat(np.arange(5), 10)[5:46], speed_mps=np.arange(41.0))
    assert seconds(found)[0] == pytest.approx(0.5 + np.arange(41) / 10)


def test_cut_fractions_of_uneven_counts() -> None:
    """25 Hz in stamps of a tenth: three rows, then two; the true times are 0, 0.04, 0.08, …"""
    true = np.arange(100) * 0.04
    found = build(np.floor(true * 10 + 1e-6) / 10, speed_mps=np.arange(100.0))
    assert seconds(found)[0] == pytest.approx(true, abs=1e-6)


def test_cut_fractions_with_a_row_missing_stay_within_their_stamp() -> None:
    stamps = np.delete(np.repeat(np.arange(6), 10), 33)
    found = np.array(seconds(build(stamps, speed_mps=np.arange(59.0)))[0])
    assert np.all(np.diff(found) > 0) and np.all((found >= stamps) & (found < stamps + 1))


def test_copied_rows_are_merged_and_not_spread() -> None:
    found = build(np.repeat(np.arange(5), 2), speed_mps=np.repeat(np.arange(5.0), 2))
    assert seconds(found) == [[0, 1, 2, 3, 4]] and found.rejected == 0
    assert any("5 repeated lines merged" in text for text in found.warnings)


def test_rows_of_one_time_that_complete_each_other_are_merged() -> None:
    found = build([0, 1, 1], speed_mps=[1.0, 2.0, np.nan], rpm=[np.nan, np.nan, 9.0])
    assert found.samples["rpm"].iloc[1] == 9.0 and found.samples["speed_mps"].iloc[1] == 2.0
    assert found.rejected == 0 and len(found.samples) == 2


def test_a_repeated_time_that_contradicts_is_rejected_and_counted() -> None:
    found = build([0, 1, 2, 2, 3, 4], speed_mps=[0.0, 1.0, 2.0, 7.0, 3.0, 4.0])
    assert found.samples["speed_mps"].tolist() == [0, 1, 2, 3, 4] and found.rejected == 1
    assert found.rejects[0].line == 4


def test_times_that_stand_still_are_refused() -> None:
    with pytest.raises(SpeedlogError, match="times stand still: 40 samples share 1 time stamps"):
        build([0.0] * 40, speed_mps=np.arange(40.0))
    copies = build(
        np.repeat([0.0, 1.0], 40), speed_mps=np.repeat([1.0, 2.0], 40)
    )  # the same rows again and again
    assert len(copies.samples) == 2
    # 19 of 20 lost is the limit of 95 % itself: read
    assert len(build([0.0] * 20, speed_mps=np.arange(20.0)).samples) == 1


def test_every_row_rejected_is_refused_with_the_first_reason() -> None:
    with pytest.raises(
        SpeedlogError, match=r"no usable samples, 2 lines rejected \(line 1: lat_deg is out of range"
    ):
        build([0, 1], lat_deg=[91.0, 92.0], lon_deg=[1.0, 1.0])
    with pytest.raises(SpeedlogError, match="no usable samples"):
        build([])


def test_rejects_are_capped_but_counted() -> None:
    many = MOST_REJECTS + 5
    found = build(np.arange(many), speed_mps=[-1.0] * many)
    assert found.rejected == many and len(found.rejects) == MOST_REJECTS


@pytest.mark.parametrize(
    ("year", "words"),
    [
        (1979, "can't be true"),
        (1999, "can't be true"),
        (2071, "can't be true"),
        (2005, "1024 weeks"),
        (2009, "1024 weeks"),
    ],
)
def test_dates_that_a_log_can_not_have(year: int, words: str) -> None:
    start = int(np.datetime64(f"{year}-07-01", "ns").astype(np.int64))
    assert any("date" in text and words in text for text in build([0, 1], start_ns=start).warnings)


@pytest.mark.parametrize("year", [2010, 2024, 2070])
def test_dates_that_a_log_can_have(year: int) -> None:
    start = int(np.datetime64(f"{year}-07-01", "ns").astype(np.int64))
    assert build([0, 1], start_ns=start).warnings == ("from the importer",)


def test_rollover_names_the_other_date() -> None:
    start = int(np.datetime64("1999-08-22", "ns").astype(np.int64))
    # references.md topic 1: rollovers 1999-08-22 and 2019-04-07 lie 7168 days apart
    assert any("then it is 2019-04-07" in text for text in build([0, 1], start_ns=start).warnings)


def test_time_of_day_runs_on_over_midnight() -> None:
    found = build([86_399, 0, 1], clock=Clock.TIME_OF_DAY, start_ns=0)
    assert [stamp.isoformat() for stamp in found.samples.index] == [
        "1970-01-01T23:59:59+00:00",
        "1970-01-02T00:00:00+00:00",
        "1970-01-02T00:00:01+00:00",
    ]
    assert found.warnings == ("from the importer",)


def test_unwrap_midnight_both_sides_of_half_a_day() -> None:
    half = 43_200 * 10**9
    assert unwrap_midnight(np.array([half, 0])).tolist() == [half, 0]
    assert unwrap_midnight(np.array([half + 1, 0])).tolist() == [half + 1, 2 * half]
    assert unwrap_midnight(np.array([2 * half - 1, 0, 2 * half - 1, 0])).tolist()[2:] == [
        2 * half - 1,
        2 * half,
    ]


def test_lone_rows_limit_is_the_setting() -> None:
    times = np.array([0, 1, 2, -9, -8, 5, 6]) * 10**9
    assert lone_times(times, dataclasses.replace(ReadSettings(), most_lone_rows=2)).sum() == 2
    assert lone_times(times, dataclasses.replace(ReadSettings(), most_lone_rows=1)).sum() == 0


def test_no_spreading_without_several_rows_a_stamp() -> None:
    stamps = np.arange(10, dtype=np.int64) * 10**9
    assert cut_fractions(stamps, np.ones(10, dtype=np.bool_), ReadSettings()) is None


@given(
    st.lists(
        st.tuples(
            st.integers(-(2**62), 2**62) | st.integers(0, 20).map(lambda k: k * 10**8),
            st.floats(),
            st.floats(),
            st.floats(),
            st.sampled_from([None, *Fix]),
        ),
        min_size=1,
        max_size=40,
    )
)
@settings(max_examples=100, deadline=None)
def test_any_rows_give_a_sound_table_or_one_clear_error(
    rows: list[tuple[int, float, float, float, Fix | None]],
) -> None:
    time_ns = np.array([row[0] for row in rows], dtype=np.int64)
    values: dict[str, Any] = {
        "lat_deg": np.array([row[1] for row in rows]),
        "lon_deg": np.array([row[2] for row in rows]),
        "speed_mps": np.array([row[3] for row in rows]),
        "fix": np.array([row[4] for row in rows], dtype=object),
    }
    try:
        found = build_recording(
            Source("x", b""),
            format="gpx",
            clock=Clock.UTC,
            rejects=[],
            rejected=0,
            warnings=[],
            options=ReadOptions(),
            epochs=RawEpochs(time_ns, np.arange(len(rows), dtype=np.int64), values),
        )
    except SpeedlogError:
        return
    for segment in found.segments:
        check_samples(segment)
    check_samples(found.samples)
    assert sum(len(segment) for segment in found.segments) <= len(rows)


def test_forward_step_allows_for_position_noise() -> None:
    """At 20 m/s and 1 Hz a car moves 20 m: 20 % of the way and the setting's metre may be wrong."""
    for moved, pieces in ((20.0, 2), (26.0, 2), (26.5, 1), (15.9, 2), (15.7, 1)):
        at_m = [0, 20, 40, 40 + moved, 60 + moved]
        assert len(moving([0, 1, 2, 60, 61], at_m, 20.0).segments) == pieces, moved


def test_many_lone_times_are_no_exceptions_but_disorder() -> None:
    def log(lone: int, rows: int) -> Recording:
        times = np.arange(rows, dtype=float)
        times[3 : 3 + 4 * lone : 4] = 0.5
        return build(times)

    limit = ReadSettings().most_clock_steps
    few, many = log(limit, 4 * limit + 10), log(limit + 1, 4 * limit + 10)
    assert few.rejected == limit  # so few may be any share of the log
    assert many.rejected < limit and any("out of order" in text for text in many.warnings)
    assert log(limit + 1, 40 * limit).rejected == limit + 1  # under a tenth of the log


def test_spreading_needs_rows_that_differ() -> None:
    """A fifth of the stamps must show a new row: fewer are slips among copies."""
    stamps = np.repeat(np.arange(20, dtype=np.int64) * 10**9, 2)
    for new, spread in ((3, False), (4, True)):
        differs = np.tile([True, False], 20)
        differs[1 : 2 * new : 2] = True
        assert (cut_fractions(stamps, differs, ReadSettings()) is not None) == spread
