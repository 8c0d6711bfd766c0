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

import numpy as np

from speedlog.importers.nmea_finish import EPOCH_NUMBERS, UNKNOWN_DAY, EpochColumns
from speedlog.importers.nmea_sentence import EPOCH_ORDINAL, Quality, SentenceFields
from speedlog.samples import Fix

RECENT = 3  # epochs: receivers send the last sentences of an epoch after the first of the next, no later
STRONGEST = 4  # satellites: a position takes four
FIXES = {
    Quality.NONE: Fix.NONE,
    Quality.DEAD_RECKONED: Fix.DEAD_RECKONED,
    Quality.RTK_FLOAT: Fix.RTK_FLOAT,
    Quality.RTK_FIXED: Fix.RTK_FIXED,
    Quality.DIFFERENTIAL: Fix.DIFFERENTIAL,
}
_FIX_CODES = {fix: at for at, fix in enumerate(Fix)}
_ROW_KINDS = frozenset({"RMC", "GGA", "GLL", "GNS"})


@dataclass(slots=True)
class Epoch:
    """An epoch while sentences come in; NaN or None where none has said anything yet."""

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
        self._all: list[Epoch] = []
        self._at_hand: Epoch | None = None
        self._dimension: int | None = None
        self.untimed_places = 0

    def add(self, fields: SentenceFields, line: int) -> Epoch | None:
        """Put a sentence into its epoch, which is returned; None where it has none."""
        if fields.kind in ("VTG", "GSA", "GSV"):
            return self._add_untimed(fields)
        if fields.time_ns is not None and fields.kind != "GST":
            epoch = self._epoch_of(fields, fields.time_ns, line)
            _fill(epoch, fields)
            if fields.kind in _ROW_KINDS:
                epoch.is_row, self._at_hand = True, epoch
                epoch.dimension = epoch.dimension or self._dimension
            return epoch
        if not math.isnan(fields.lat_deg) and fields.quality is not Quality.NONE:
            self.untimed_places += 1
        return None

    def _epoch_of(self, fields: SentenceFields, time_ns: int, line: int) -> Epoch:
        """The recent epoch of this time, or a new one; a date alone (ZDA) is no row, but dates one."""
        who, dating = (fields.talker, fields.kind), None
        for epoch in reversed(self._all[-RECENT:]):
            if epoch.time_ns != time_ns:
                continue
            if epoch.is_row and who not in epoch.seen:
                epoch.seen.add(who)
                return epoch
            if not epoch.is_row:
                dating = epoch.date or dating
        self._all.append(Epoch(time_ns, line, seen={who}, date=dating, two_digit_year=dating is None))
        return self._all[-1]

    def _add_untimed(self, fields: SentenceFields) -> Epoch | None:
        if fields.dimension is not None:
            self._dimension = fields.dimension
        epoch = self._at_hand
        if epoch is None:
            return None
        if fields.kind == "VTG":
            epoch.vtg_speed_mps = _first(epoch.vtg_speed_mps, fields.speed_mps)
            epoch.vtg_track_deg = _first(epoch.vtg_track_deg, fields.track_deg)
        elif fields.kind == "GSA":
            epoch.hdop = _first(epoch.hdop, fields.hdop)
            epoch.dimension = fields.dimension or epoch.dimension
        else:
            for satellite, strength in fields.cn0:
                epoch.cn0[satellite] = max(strength, epoch.cn0.get(satellite, 0.0))
        return epoch

    @property
    def count(self) -> int:
        """How many epochs there are so far, those that only date others among them."""
        return len(self._all)

    def start_with(self, dimension: int | None) -> None:
        """Take over what the sentences before the first one said of the fix."""
        self._dimension = dimension

    def columns(self) -> EpochColumns:
        """All epochs so far as columns."""
        numbers = {
            name: np.array([getattr(epoch, name) for epoch in self._all], dtype=float)
            for name in EPOCH_NUMBERS
        }
        return EpochColumns(
            np.array([epoch.time_ns for epoch in self._all], dtype=np.int64),
            np.array([epoch.line for epoch in self._all], dtype=np.int64),
            np.array([epoch.is_row for epoch in self._all], dtype=np.bool_),
            np.array([_day(epoch) for epoch in self._all], dtype=np.int32),
            np.array([epoch.two_digit_year for epoch in self._all], dtype=np.bool_),
            {**numbers, "cn0_dbhz": np.array([_cn0(epoch) for epoch in self._all], dtype=float)},
            np.array([_FIX_CODES[_fix(epoch)] for epoch in self._all], dtype=np.int8),
        )


def _first(one: float, other: float) -> float:
    """The first of two that is known."""
    return other if math.isnan(one) else one


def _fill(epoch: Epoch, fields: SentenceFields) -> None:
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


def _day(epoch: Epoch) -> int:
    return UNKNOWN_DAY if epoch.date is None else epoch.date.toordinal() - EPOCH_ORDINAL


def _cn0(epoch: Epoch) -> float:
    """Mean of the strongest four satellites, NaN where none is tracked."""
    if not epoch.cn0:
        return math.nan
    strongest = sorted(epoch.cn0.values(), reverse=True)[:STRONGEST]
    return sum(strongest) / len(strongest)


def _fix(epoch: Epoch) -> Fix:
    if math.isnan(epoch.lat_deg):
        return Fix.NONE
    worst = min(epoch.qualities.values(), default=Quality.SINGLE)
    return FIXES.get(worst, Fix.TWO_D if epoch.dimension == 2 else Fix.THREE_D)
