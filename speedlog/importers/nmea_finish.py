"""The end of reading NMEA: epochs as columns become rows with dates, speeds and a fix."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.epoch_times import DAY_NS, unwrap_midnight
from speedlog.importers.epochs import RawEpochs
from speedlog.importers.nmea_sentence import EPOCH_ORDINAL
from speedlog.importers.nmea_vtg import vtg_leads
from speedlog.settings import ReadSettings

UNKNOWN_DAY = int(np.iinfo(np.int32).min)
EPOCH_NUMBERS = (
    "lat_deg", "lon_deg", "alt_m", "speed_mps", "track_deg", "vtg_speed_mps", "vtg_track_deg", "hdop", "satellites",
)  # fmt: skip
NO_HDOP = 99.0  # receivers write 99.9 or 99.99 for "none"
VTG_LEADS = "speeds (VTG) stand before their positions, as the motion shows: taken so"


@dataclass(eq=False)
class EpochColumns:
    """Epochs in file order, (N,) each.

    Attributes:
        time_ns: UTC time of day; `line`: of the sentence that began the epoch.
        is_row: False where there is nothing but a date for others.
        day: days since 1970-01-01 or UNKNOWN_DAY; `two_digit_year`: where its century is a guess.
        numbers: EPOCH_NUMBERS and "cn0_dbhz", NaN where unknown.
        fix: place in the list of `Fix`.
    """

    time_ns: NDArray[np.int64]
    line: NDArray[np.int64]
    is_row: NDArray[np.bool_]
    day: NDArray[np.int32]
    two_digit_year: NDArray[np.bool_]
    numbers: dict[str, NDArray[np.float64]]
    fix: NDArray[np.int8]


def finished(
    epochs: EpochColumns, years: dict[int, int], settings: ReadSettings
) -> tuple[RawEpochs, bool, list[str]]:
    """The rows; whether anything dates them (else their times are times of day); warnings.

    Args:
        years: four-digit years by their last two digits, as ZDA gives them.
    """
    days = _days(epochs, years)
    dated, time_ns = bool(np.isfinite(days).any()), epochs.time_ns
    if dated:
        time_ns = time_ns + _filled_days(time_ns, days, settings) * DAY_NS
    rows: Any = slice(None) if epochs.is_row.all() else np.flatnonzero(epochs.is_row)
    times = time_ns[rows]
    found = {name: epochs.numbers[name][rows] for name in (*EPOCH_NUMBERS, "cn0_dbhz")}
    values: dict[str, NDArray[Any]] = {
        name: found[name] for name in ("lat_deg", "lon_deg", "alt_m", "satellites")
    }
    values["hdop"] = np.where(found["hdop"] < NO_HDOP, found["hdop"], math.nan)
    warnings = _add_motion(found, times, values, settings)
    values["cn0_dbhz"] = found["cn0_dbhz"]
    values["fix"] = epochs.fix[rows]
    return RawEpochs(times, epochs.line[rows], values), dated, warnings


def _days(epochs: EpochColumns, years: dict[int, int]) -> NDArray[np.float64]:
    """(N,) each epoch's own date as days since 1970-01-01, NaN if it has none."""
    days = np.where(epochs.day == UNKNOWN_DAY, math.nan, epochs.day)
    if not years:
        return days
    for day in np.unique(epochs.day[epochs.two_digit_year & (epochs.day != UNKNOWN_DAY)]):
        date = dt.date.fromordinal(int(day) + EPOCH_ORDINAL)
        if date.year % 100 in years:
            try:
                better = float(date.replace(year=years[date.year % 100]).toordinal() - EPOCH_ORDINAL)
            except ValueError:  # 29 February of a year that has none
                better = math.nan
            days[epochs.two_digit_year & (epochs.day == day)] = better
    return days


def _add_motion(
    found: dict[str, NDArray[np.float64]],
    time_ns: NDArray[np.int64],
    values: dict[str, NDArray[Any]],
    settings: ReadSettings,
) -> list[str]:
    """Put speed and course in: RMC's, else VTG's, which may have to go to the position after it."""
    speed, track = found["speed_mps"], found["track_deg"]
    vtg_speed, vtg_track = found["vtg_speed_mps"], found["vtg_track_deg"]
    warnings = []
    if np.isnan(speed).all() and np.isfinite(vtg_speed).any():
        leads = vtg_leads(time_ns, values["lat_deg"], values["lon_deg"], vtg_speed, settings)
        if leads:
            vtg_speed = np.concatenate([[math.nan], vtg_speed[:-1]])
            vtg_track = np.concatenate([[math.nan], vtg_track[:-1]])
            warnings.append(VTG_LEADS)
        elif leads is None:
            warnings.append("speeds (VTG) have no time of their own: taken for the position before them")
    values["speed_mps"] = np.where(np.isnan(speed), vtg_speed, speed)
    values["track_deg"] = np.where(np.isnan(track), vtg_track, track)
    return warnings


def _filled_days(
    time_ns: NDArray[np.int64], days: NDArray[np.float64], settings: ReadSettings
) -> NDArray[np.int64]:
    """(N,) a day for every epoch: its own, else counted over midnight from the one before, else after."""
    running = unwrap_midnight(time_ns) // DAY_NS
    known = np.flatnonzero(np.isfinite(days))
    before = np.clip(np.searchsorted(known, np.arange(len(days)), side="right") - 1, 0, None)
    source = known[before]  # the epoch whose date counts for each
    latest = np.where(source <= np.arange(len(days)), days[source], np.nan)
    days = _mended_dates(time_ns, days, latest, np.flatnonzero(np.diff(running) == 1) + 1, settings)
    return np.asarray(days[source].astype(np.int64) + running - running[source], dtype=np.int64)


def _mended_dates(
    time_ns: NDArray[np.int64],
    days: NDArray[np.float64],
    latest: NDArray[np.float64],
    midnights: NDArray[np.intp],
    settings: ReadSettings,
) -> NDArray[np.float64]:
    """(N,) dates, put on by a day where a receiver still writes the old one for a moment after midnight."""
    mended, late_ns = days.copy(), settings.late_date_s * 1e9
    for turn in midnights:
        row = int(turn)
        while row < len(days) and time_ns[row] <= late_ns:
            mended[row] += days[row] == latest[turn - 1]
            row += 1
    return mended
