"""The common table that every importer fills, and the Recording that carries it.

One row an epoch; the index `time` is datetime64[ns, UTC], sorted and unique; SI units, the unit in
the name; missing is NaN (NA in `fix`). Every column of `COLUMNS` is always there, and no other.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property

import numpy as np
import pandas as pd


class Clock(StrEnum):
    """What a recording's `time` means."""

    UTC = "utc"
    TIME_OF_DAY = "time_of_day"  # UTC time of day, on the assumed day 1970-01-01
    ELAPSED = "elapsed"  # the logger's own seconds, from 1970-01-01T00:00


class Fix(StrEnum):
    """How the receiver got its position."""

    NONE = "none"
    TWO_D = "2d"
    THREE_D = "3d"
    DIFFERENTIAL = "differential"
    RTK_FIXED = "rtk_fixed"
    RTK_FLOAT = "rtk_float"
    DEAD_RECKONED = "dead_reckoned"


FIX_DTYPE = pd.CategoricalDtype([fix.value for fix in Fix])


@dataclass(frozen=True)
class Column:
    """A column of the common table; a value outside [low, high] is hostile and never kept."""

    name: str
    unit: str
    meaning: str
    low: float
    high: float


COLUMNS: tuple[Column, ...] = (
    Column("lat_deg", "degrees", "latitude, WGS 84", -90.0, 90.0),
    Column("lon_deg", "degrees", "longitude, WGS 84", -180.0, 180.0),
    Column("alt_m", "metres", "height above mean sea level", -1000.0, 100_000.0),
    Column("speed_mps", "metres per second", "ground speed as logged, Doppler", 0.0, 400.0),
    Column("track_deg", "degrees", "direction of motion, true", 0.0, 360.0),
    Column("fix", "a word", "how the position was got (Fix)", -np.inf, np.inf),
    Column("hdop", "1", "horizontal dilution of precision", 0.0, 100.0),
    Column("satellites", "count", "satellites used", 0.0, 100.0),
    Column("cn0_dbhz", "dB-Hz", "carrier to noise density, mean of the strongest four", 0.0, 70.0),
    Column("speed_sd_mps", "metres per second", "receiver's own standard deviation of the speed", 0.0, 400.0),
    Column("rpm", "per minute", "motor turns", 0.0, 500_000.0),
    Column("current_a", "ampere", "current as the controller logs it", -2000.0, 2000.0),
    Column("voltage_v", "volt", "pack voltage", 0.0, 1000.0),
    Column("motor_temp_c", "degrees Celsius", "motor temperature", -60.0, 500.0),
    Column("controller_temp_c", "degrees Celsius", "controller temperature", -60.0, 500.0),
    Column("throttle", "share", "throttle, 0 to 1", -1.0, 1.0),
    Column("accel_mps2", "metres per second squared", "acceleration along the car", -500.0, 500.0),
)
COLUMN_NAMES: tuple[str, ...] = tuple(column.name for column in COLUMNS)
COLUMN: dict[str, Column] = {column.name: column for column in COLUMNS}


@dataclass(frozen=True)
class Reject:
    """A line or point thrown away: its line number (None where a format has none) and the reason."""

    line: int | None
    reason: str


@dataclass(frozen=True)
class Origin:
    """Where a column of the common table comes from.

    Attributes:
        source: what the file calls it: 'column 3 "Speed (km/h)"'.
        unit: its unit there, "" where it has none.
        unit_from: who says so: "the header", "the standard", "a guess: the usual unit" …
    """

    source: str
    unit: str = ""
    unit_from: str = ""


@dataclass(frozen=True, eq=False)
class RowLines:
    """Which lines of the file a segment of the common table was made of.

    Attributes:
        line: (M,) the number of each line (of an epoch's first sentence, of a point's start tag).
        row: (M,) the segment's row that it became; None where they follow one another, one each.
    """

    line: np.ndarray[tuple[int], np.dtype[np.int64]]
    row: np.ndarray[tuple[int], np.dtype[np.intp]] | None = None

    def of(self, row: int) -> tuple[int, ...]:
        """The lines of one row, in the file's order."""
        if self.row is None:
            return (int(self.line[row]),)
        return tuple(sorted(int(line) for line in self.line[self.row == row]))


@dataclass(frozen=True, eq=False)
class Recording:
    """One log file, read in.

    Attributes:
        file: its name, as given.
        sha256: of its bytes.
        format: "nmea", "gpx" or "delimited".
        clock: what its times mean.
        segments: the common table, cut where the clock stepped back or forward and stayed; one
            segment in a sound log. Rows stand in the order of the file; a later segment may
            lie earlier in time.
        rejects: lines or points thrown away; the first `MOST_REJECTS` of them.
        rejected: how many there were.
        warnings: every guess and repair, a sentence each.
        declared_breaks: times after which the file itself says that reception was lost (GPX track
            segments).
        electrical_rpm: the header says that `rpm` counts electrical turns.
        lines: for each segment, the lines it was made of.
        origins: where columns (and "time") come from, where the importer says so.
    """

    file: str
    sha256: str
    format: str
    clock: Clock
    segments: tuple[pd.DataFrame, ...]
    rejects: tuple[Reject, ...] = ()
    rejected: int = 0
    warnings: tuple[str, ...] = ()
    declared_breaks: tuple[pd.Timestamp, ...] = ()
    electrical_rpm: bool = False
    facts: dict[str, str] = field(default_factory=dict)
    lines: tuple[RowLines, ...] = ()
    origins: dict[str, Origin] = field(default_factory=dict)

    @cached_property
    def samples(self) -> pd.DataFrame:
        """The common table over all segments, as logged; where two claim a time, the later written wins."""
        if len(self.segments) == 1:
            return self.segments[0]
        table = pd.concat(self.segments)
        return table[~table.index.duplicated(keep="last")].sort_index()

    @cached_property
    def has_positions(self) -> bool:
        return bool(self.valid.any())

    @cached_property
    def valid(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """(N,) which samples hold a position that the receiver vouches for (dead reckoning is none)."""
        return valid_positions(self.samples)

    @cached_property
    def rate_hz(self) -> float | None:
        """Epochs a second: one over the median interval; None with fewer than two."""
        gaps = np.diff(seconds(self.samples.index))
        return float(1.0 / np.median(gaps)) if len(gaps) else None

    @property
    def filled_columns(self) -> tuple[str, ...]:
        """The columns that hold at least one value."""
        return tuple(name for name in COLUMN_NAMES if self.samples[name].notna().any())


MOST_REJECTS = 1000  # enough to find the trouble; a hostile file could hold millions


def empty_samples(index: pd.DatetimeIndex) -> pd.DataFrame:
    """A common table with these times and nothing else in it."""
    blank = np.full(len(index), np.nan)
    # one shared column of blanks: importers replace whole columns, so nothing is written into it
    table = pd.DataFrame(dict.fromkeys(COLUMN_NAMES, blank), index=index, copy=False)
    table["fix"] = pd.Categorical.from_codes(np.full(len(index), -1, dtype=np.int8), dtype=FIX_DTYPE)
    table.index.name = "time"
    return table


def valid_positions(samples: pd.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """(N,) which rows hold a position that is neither marked invalid nor dead reckoned."""
    unsound = samples["fix"].isin([Fix.NONE.value, Fix.DEAD_RECKONED.value])
    return (samples["lat_deg"].notna() & samples["lon_deg"].notna() & ~unsound).to_numpy(dtype=bool)


def seconds(
    times: pd.Index, origin: pd.Timestamp | None = None
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """(N,) seconds since `origin` (the first time if None), exact to a nanosecond."""
    stamps = pd.DatetimeIndex(times).as_unit("ns").asi8
    if not len(stamps):
        return np.empty(0)
    start = stamps[0] if origin is None else pd.Timestamp(origin).as_unit("ns").value
    return np.asarray((stamps - start) / 1e9, dtype=float)


def check_samples(samples: pd.DataFrame) -> None:
    """Raise AssertionError when a table breaks the rules of the common table (used at the importers' edge)."""
    index = samples.index
    assert isinstance(index, pd.DatetimeIndex) and str(index.tz) == "UTC" and index.unit == "ns", "index"
    assert index.is_monotonic_increasing and index.is_unique, "times must be sorted and unique"
    assert tuple(samples.columns) == COLUMN_NAMES, "columns"
    for column in COLUMNS:
        if column.name == "fix":
            assert samples["fix"].dtype == FIX_DTYPE, "fix"
            continue
        values = samples[column.name].to_numpy(dtype=float)
        least, most = np.fmin.reduce(values, initial=np.inf), np.fmax.reduce(values, initial=-np.inf)
        assert column.low <= least and most <= column.high, column.name  # NaN is neither least nor most


def utc_text(moment: pd.Timestamp | None) -> str | None:
    """ISO 8601 with fractions and Z; None stays None."""
    if moment is None:
        return None
    text = moment.tz_convert("UTC").isoformat(
        timespec="microseconds" if moment.nanosecond == 0 else "nanoseconds"
    )
    return text.replace("+00:00", "Z")
