"""The common table and the recording."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from speedlog.samples import (
    COLUMN_NAMES,
    Clock,
    Recording,
    check_samples,
    empty_samples,
    seconds,
    valid_positions,
)


def table(*texts: str, **columns: object) -> pd.DataFrame:
    found = empty_samples(
        pd.DatetimeIndex(pd.to_datetime(list(texts), utc=True, format="ISO8601")).as_unit("ns")
    )
    for name, values in columns.items():
        found[name] = pd.Categorical(values, dtype=found["fix"].dtype) if name == "fix" else values  # type: ignore[call-overload]
    return found


def recording(*segments: pd.DataFrame) -> Recording:
    return Recording("a.nmea", "0" * 64, "nmea", Clock.UTC, segments)


def test_an_empty_table_keeps_the_rules_and_its_columns_are_apart() -> None:
    one = table("2026-07-12T10:00:00Z", "2026-07-12T10:00:00.04Z")
    check_samples(one)
    assert tuple(one.columns) == COLUMN_NAMES
    one["speed_mps"] = [1.0, 2.0]
    assert one["alt_m"].isna().all()


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        (lambda t: t.iloc[::-1], "sorted"),
        (lambda t: t.tz_convert("Europe/Lisbon"), "index"),
        (lambda t: t.drop(columns="hdop"), "columns"),
        (lambda t: t.assign(lat_deg=91.0), "lat_deg"),
        (lambda t: t.assign(speed_mps=-1.0), "speed_mps"),
    ],
)
def test_a_table_that_breaks_a_rule_is_caught(spoil, word: str) -> None:
    with pytest.raises(AssertionError, match=word):
        check_samples(spoil(table("2026-07-12T10:00:00Z", "2026-07-12T10:00:00.04Z")))


def test_seconds_are_exact_to_a_nanosecond() -> None:
    one = table("2026-07-12T10:00:00.000000001Z", "2026-07-12T10:00:01.000000002Z")
    assert seconds(one.index)[1] == pytest.approx(1.000000001, abs=1e-12)
    assert seconds(one.index, pd.Timestamp("2026-07-12T09:59:59Z"))[0] == pytest.approx(
        1.000000001, abs=1e-12
    )
    assert len(seconds(one.index[:0])) == 0


def test_no_fix_and_dead_reckoning_are_no_positions() -> None:
    one = table(
        *(f"2026-07-12T10:00:0{i}Z" for i in range(5)),
        lat_deg=[53.1, 53.1, 53.1, np.nan, 53.1], lon_deg=[-1.2] * 5,
        fix=["3d", "none", "dead_reckoned", "3d", None],
    )  # fmt: skip
    assert valid_positions(one).tolist() == [True, False, False, False, True]


def test_where_two_segments_claim_a_time_the_later_written_wins() -> None:
    early = table("2026-07-12T10:00:00Z", "2026-07-12T10:00:02Z", speed_mps=[1.0, 2.0])
    late = table("2026-07-12T10:00:01Z", "2026-07-12T10:00:02Z", speed_mps=[3.0, 4.0])
    both = recording(early, late)
    assert both.samples["speed_mps"].tolist() == [1.0, 3.0, 4.0]
    assert both.rate_hz == 1.0 and both.filled_columns == ("speed_mps",)
    assert recording(early.iloc[:1]).rate_hz is None
