"""From sentences to epochs: sentences of one time make one row.

- Sentences with a time (RMC, GGA, GLL, GNS, ZDA) go to the epoch of that time if it is one of the last
  few; the same sentence of the same talker again starts a new epoch, also at a repeated time.
- Sentences without a time (VTG, GSA, GSV) belong to the epoch at hand, that is to the last position
  sentence before them; in a log without RMC the motion may show that VTG stands before its position.
  VTG gives a speed only where RMC gives none.
- A sentence's blank never overwrites what another one says; of two positions the one with more decimals
  is kept.
- Fix: of one kind of sentence the best talker's word holds (a system without satellites doesn't spoil
  the epoch), of different kinds the worst. A valid position of unknown dimension counts as 3d: the last
  GSA decides, and receivers without GSA are 3d in any open place.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.epoch_times import DAY_NS, unwrap_midnight
from speedlog.importers.epochs import RawEpochs
from speedlog.importers.nmea_sentence import Quality, SentenceFields
from speedlog.importers.nmea_vtg import vtg_leads
from speedlog.samples import Fix
from speedlog.settings import ReadSettings

_RECENT = 3  # epochs: receivers send the last sentences of an epoch after the first of the next, no later
_STRONGEST = 4  # satellites: a position takes four
_NO_HDOP = 99.0  # receivers write 99.9 or 99.99 for "none"
_FIXES = {
    Quality.NONE: Fix.NONE,
    Quality.DEAD_RECKONED: Fix.DEAD_RECKONED,
    Quality.RTK_FLOAT: Fix.RTK_FLOAT,
    Quality.RTK_FIXED: Fix.RTK_FIXED,
    Quality.DIFFERENTIAL: Fix.DIFFERENTIAL,
}
_ROW_KINDS = frozenset({"RMC", "GGA", "GLL", "GNS"})
_EPOCH_DATE = dt.date(1970, 1, 1)


@dataclass(slots=True)
class _Epoch:
    time_ns: int
    line: int
    is_row: bool = False
    seen: set[tuple[str, str]] = field(default_factory=set)
    date: dt.date | None = None
    two_digit_year: bool = True
    lat_deg: float = math.nan
    lon_deg: float = math.nan
    place_digits: int = -1
    alt_m: float = math.nan
    speed_mps: float = math.nan
    track_deg: float = math.nan
    vtg_speed_mps: float = math.nan
    vtg_track_deg: float = math.nan
    hdop: float = math.nan
    satellites: float = math.nan
    qualities: dict[str, Quality] = field(default_factory=dict)
    dimension: int | None = None
    cn0: dict[str, float] = field(default_factory=dict)


class Epochs:
    """Epochs growing as sentences come in, in file order."""

    def __init__(self) -> None:
        self._all: list[_Epoch] = []
        self._at_hand: _Epoch | None = None
        self._dimension: int | None = None
        self.untimed_places = 0

    def add(self, fields: SentenceFields, line: int) -> None:
        """Put a sentence into its epoch."""
        if fields.kind in ("VTG", "GSA", "GSV"):
            self._add_untimed(fields)
        elif fields.time_ns is not None and fields.kind != "GST":
            epoch = self._epoch_of(fields, fields.time_ns, line)
            _fill(epoch, fields)
            if fields.kind in _ROW_KINDS:
                epoch.is_row, self._at_hand = True, epoch
                epoch.dimension = epoch.dimension or self._dimension
        elif not math.isnan(fields.lat_deg) and fields.quality is not Quality.NONE:
            self.untimed_places += 1

    def _epoch_of(self, fields: SentenceFields, time_ns: int, line: int) -> _Epoch:
        """The recent epoch of this time, or a new one; a date alone (ZDA) is no row, but dates one."""
        who, dating = (fields.talker, fields.kind), None
        for epoch in reversed(self._all[-_RECENT:]):
            if epoch.time_ns != time_ns:
                continue
            if epoch.is_row and who not in epoch.seen:
                epoch.seen.add(who)
                return epoch
            if not epoch.is_row:
                dating = epoch.date or dating
        self._all.append(_Epoch(time_ns, line, seen={who}, date=dating, two_digit_year=dating is None))
        return self._all[-1]

    def _add_untimed(self, fields: SentenceFields) -> None:
        if fields.dimension is not None:
            self._dimension = fields.dimension
        epoch = self._at_hand
        if epoch is None:
            return
        if fields.kind == "VTG":
            epoch.vtg_speed_mps = _first(epoch.vtg_speed_mps, fields.speed_mps)
            epoch.vtg_track_deg = _first(epoch.vtg_track_deg, fields.track_deg)
        elif fields.kind == "GSA":
            epoch.hdop = _first(epoch.hdop, fields.hdop)
            epoch.dimension = fields.dimension or epoch.dimension
        else:
            for satellite, strength in fields.cn0:
                epoch.cn0[satellite] = max(strength, epoch.cn0.get(satellite, 0.0))

    def result(self, years: dict[int, int], settings: ReadSettings) -> tuple[RawEpochs, bool, list[str]]:
        """The rows; whether anything dates them (else their times are times of day); warnings.

        Args:
            years: four-digit years by their last two digits, as ZDA gives them.
        """
        time_ns = np.array([epoch.time_ns for epoch in self._all], dtype=np.int64)
        days = np.array([_day(epoch, years) for epoch in self._all], dtype=float)
        dated = bool(np.isfinite(days).any())
        if dated:
            time_ns = time_ns + _filled_days(time_ns, days, settings) * DAY_NS
        rows = [at for at, epoch in enumerate(self._all) if epoch.is_row]
        kept = [self._all[at] for at in rows]
        values: dict[str, NDArray[Any]] = {
            name: np.array([getattr(epoch, name) for epoch in kept], dtype=float)
            for name in ("lat_deg", "lon_deg", "alt_m", "satellites")
        }
        values["hdop"] = np.array([e.hdop if e.hdop < _NO_HDOP else math.nan for e in kept], dtype=float)
        times = time_ns[rows] if rows else time_ns[:0]
        warnings = _add_motion(kept, times, values, settings)
        values["cn0_dbhz"] = np.array([_cn0(e) for e in kept], dtype=float)
        values["fix"] = np.array([_fix(e) for e in kept], dtype=object)
        lines = np.array([epoch.line for epoch in kept], dtype=np.int64)
        return RawEpochs(times, lines, values), dated, warnings


def _add_motion(
    kept: list[_Epoch], time_ns: NDArray[np.int64], values: dict[str, NDArray[Any]], settings: ReadSettings
) -> list[str]:
    """Put speed and course in: RMC's, else VTG's, which may have to go to the position after it."""
    speed, track, vtg_speed, vtg_track = (
        np.array([getattr(epoch, name) for epoch in kept], dtype=float)
        for name in ("speed_mps", "track_deg", "vtg_speed_mps", "vtg_track_deg")
    )
    warnings = []
    if np.isnan(speed).all() and np.isfinite(vtg_speed).any():
        leads = vtg_leads(time_ns, values["lat_deg"], values["lon_deg"], vtg_speed, settings)
        if leads:
            vtg_speed = np.concatenate([[math.nan], vtg_speed[:-1]])
            vtg_track = np.concatenate([[math.nan], vtg_track[:-1]])
            warnings.append("speeds (VTG) stand before their positions, as the motion shows: taken so")
        elif leads is None:
            warnings.append("speeds (VTG) have no time of their own: taken for the position before them")
    values["speed_mps"] = np.where(np.isnan(speed), vtg_speed, speed)
    values["track_deg"] = np.where(np.isnan(track), vtg_track, track)
    return warnings


def _first(one: float, other: float) -> float:
    """The first of two that is known."""
    return other if math.isnan(one) else one


def _fill(epoch: _Epoch, fields: SentenceFields) -> None:
    if not math.isnan(fields.lat_deg) and fields.place_digits > epoch.place_digits:
        epoch.lat_deg, epoch.lon_deg = fields.lat_deg, fields.lon_deg
        epoch.place_digits = fields.place_digits
    epoch.alt_m = _first(epoch.alt_m, fields.alt_m)
    epoch.speed_mps = _first(epoch.speed_mps, fields.speed_mps)
    epoch.track_deg = _first(epoch.track_deg, fields.track_deg)
    epoch.hdop = _first(epoch.hdop, fields.hdop)
    epoch.satellites = _first(epoch.satellites, fields.satellites)
    if fields.quality is not None:
        epoch.qualities[fields.kind] = max(fields.quality, epoch.qualities.get(fields.kind, fields.quality))
    if fields.date is not None and (epoch.date is None or not fields.two_digit_year):
        epoch.date, epoch.two_digit_year = fields.date, fields.two_digit_year


def _day(epoch: _Epoch, years: dict[int, int]) -> float:
    """The epoch's own date as days since 1970-01-01, NaN if it has none."""
    date = epoch.date
    if date is None:
        return math.nan
    if epoch.two_digit_year and date.year % 100 in years:
        try:
            date = date.replace(year=years[date.year % 100])
        except ValueError:  # 29 February of a year that has none
            return math.nan
    return float((date - _EPOCH_DATE).days)


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


def _cn0(epoch: _Epoch) -> float:
    """Mean of the strongest four satellites, NaN where none is tracked."""
    if not epoch.cn0:
        return math.nan
    strongest = sorted(epoch.cn0.values(), reverse=True)[:_STRONGEST]
    return sum(strongest) / len(strongest)


def _fix(epoch: _Epoch) -> Fix:
    if math.isnan(epoch.lat_deg):
        return Fix.NONE
    worst = min(epoch.qualities.values(), default=Quality.SINGLE)
    return _FIXES.get(worst, Fix.TWO_D if epoch.dimension == 2 else Fix.THREE_D)
