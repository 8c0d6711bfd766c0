"""The epochs of simple runs as columns: each run of sentences of one time is one row.

Sentences of a kind are taken in layers, the first of each run, the second (another talker's), and so
on: within a layer no run stands twice, so that whole columns can be put in place at once. What holds
where several say something is what `nmea_merge` says.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.ascii_words import Flags, Numbers, Places
from speedlog.importers.nmea_fast import TIMED, Sentences, Table
from speedlog.importers.nmea_finish import EPOCH_NUMBERS, UNKNOWN_DAY, EpochColumns
from speedlog.importers.nmea_merge import FIXES, STRONGEST
from speedlog.importers.nmea_sentence import Quality
from speedlog.samples import Fix

ZDA = TIMED.index("ZDA")
_LATEST = np.iinfo(np.int64).max
_ABSENT = 99  # above every quality
_CODES = {fix: at for at, fix in enumerate(Fix)}
_BY_QUALITY = np.array(
    [_CODES[FIXES.get(quality, Fix.THREE_D)] for quality in sorted(Quality)], dtype=np.int8
)
_NAME_BITS, _STRENGTH_BITS = 18, 7  # a tag's number and a satellite's; up to 99 dB-Hz


@dataclass(eq=False)
class Runs:
    """Stretches of timed sentences of one time.

    Attributes:
        start: (R + 1,) index of each run's first sentence; `of`: (N,) the run of each sentence.
        simple: (R,) makes one epoch; `has_row`: (R,) more than a date; `date_first`: (R,) begins with a
            date (ZDA), which then makes an epoch of its own, without a row, before it.
        dimension_offset, dimension: (D,) where the sentences say 2 or 3 dimensions, in file order.
    """

    start: Places
    of: Places
    simple: Flags
    has_row: Flags
    date_first: Flags
    dimension_offset: NDArray[np.int64]
    dimension: NDArray[np.int8]

    def dimension_before(self, offset: NDArray[np.int64]) -> NDArray[np.int8]:
        """(N,) the dimensions last told before each place; 0 where none were."""
        told = np.searchsorted(self.dimension_offset, offset)
        return np.concatenate([[0], self.dimension]).astype(np.int8)[told]


Layer = tuple[Places, Places]  # (rows of a table, the epoch of each: strictly rising)


@dataclass(eq=False)
class _Columns:
    """The columns being filled, (E,) each; a sentence's offset tells which came first."""

    size: int
    numbers: dict[str, Numbers] = field(default_factory=dict)
    _since: dict[str, NDArray[np.int64]] = field(default_factory=dict)
    digits: NDArray[np.int8] = field(init=False)
    worst: NDArray[np.int8] = field(init=False)
    day: NDArray[np.int32] = field(init=False)
    two_digit_year: Flags = field(init=False)

    def __post_init__(self) -> None:
        self.digits = np.full(self.size, -1, dtype=np.int8)
        self.worst = np.full(self.size, _ABSENT, dtype=np.int8)
        self.day = np.full(self.size, UNKNOWN_DAY, dtype=np.int32)
        self.two_digit_year = np.ones(self.size, dtype=np.bool_)

    def first_known(self, name: str, epochs: Places, values: Numbers, offset: NDArray[np.int64]) -> None:
        """Of several that say a number, the first in the file holds."""
        if name not in self.numbers:
            self.numbers[name] = _placed(self.size, epochs, values, np.nan)
            self._since[name] = _placed(
                self.size, epochs, np.where(np.isnan(values), _LATEST, offset), _LATEST
            )
            return
        better = np.flatnonzero(~np.isnan(values) & (offset < self._since[name][epochs]))
        self.numbers[name][epochs[better]] = values[better]
        self._since[name][epochs[better]] = offset[better]

    def position(self, epochs: Places, table: Table, rows: Places) -> None:
        """Of several positions the one with most decimals holds, of equals the first."""
        offset, digits = table.offset[rows], table.columns["place_digits"][rows]
        lat, lon = table.columns["lat_deg"][rows], table.columns["lon_deg"][rows]
        if "lat_deg" not in self.numbers:
            known = ~np.isnan(lat)
            self.numbers["lat_deg"] = _placed(self.size, epochs, lat, np.nan)
            self.numbers["lon_deg"] = _placed(self.size, epochs, lon, np.nan)
            self.digits = _placed(self.size, epochs, np.where(known, digits, -1).astype(np.int8), -1)
            self._since["lat_deg"] = _placed(self.size, epochs, np.where(known, offset, _LATEST), _LATEST)
            return
        have, since = self.digits[epochs], self._since["lat_deg"][epochs]
        take = np.flatnonzero(~np.isnan(lat) & ((digits > have) | ((digits == have) & (offset < since))))
        if len(take):
            at = epochs[take]
            self.numbers["lat_deg"][at], self.numbers["lon_deg"][at] = lat[take], lon[take]
            self.digits[at], self._since["lat_deg"][at] = digits[take], offset[take]


def _placed(size: int, epochs: Places, values: NDArray, blank: float) -> NDArray:  # type: ignore[type-arg]
    """(size,) values at their epochs, `blank` elsewhere."""
    if len(epochs) == size:
        return values.copy()
    out = np.full(size, blank, dtype=values.dtype)
    out[epochs] = values
    return out


def run_columns(sentences: Sentences, runs: Runs, first: int, last: int) -> EpochColumns:
    """The epochs of the simple runs from `first` to before `last`."""
    timed, columns = sentences.timed, _Columns(last - first)
    begin, end = int(runs.start[first]), int(runs.start[last])
    kind = timed.kind[begin:end]
    for number, name in enumerate(TIMED):
        found = np.flatnonzero(kind == number)
        if len(found):
            table = sentences.tables[name]
            skipped = int(np.searchsorted(table.offset, timed.offset[begin + found[0]]))
            _add_timed(columns, name, table, skipped + np.arange(len(found)), runs.of[begin + found] - first)
    if end > begin:
        _add_untimed(columns, sentences, runs, first, last)
    return _with_date_epochs(columns, sentences, runs, first, last)


def _layers(rows: Places, epochs: Places) -> Iterator[Layer]:
    """The rows of a kind, in file order, as layers in which no epoch stands twice."""
    if not len(rows):
        return
    fresh = np.diff(epochs, prepend=-1) > 0
    if fresh.all():
        yield rows, epochs
        return
    group = np.flatnonzero(fresh)
    nth = np.arange(len(rows)) - np.repeat(group, np.diff(np.append(group, len(rows))))
    for layer in range(int(nth.max()) + 1):
        one = np.flatnonzero(nth == layer)
        yield rows[one], epochs[one]


def _add_timed(columns: _Columns, name: str, table: Table, rows: Places, epochs: Places) -> None:
    if name == "ZDA":  # a year of four digits holds before all others
        columns.day[epochs], columns.two_digit_year[epochs] = table.columns["day"][rows], False
        return
    best = np.full(columns.size, -1, dtype=np.int8)  # of this kind
    for some, at in _layers(rows, epochs):
        columns.position(at, table, some)
        for number in ("alt_m", "speed_mps", "track_deg", "hdop", "satellites"):
            if number in table.columns:
                columns.first_known(number, at, table.columns[number][some], table.offset[some])
        best[at] = np.maximum(best[at], table.columns["quality"][some])
        if "day" in table.columns:
            blank = columns.day[at] == UNKNOWN_DAY
            columns.day[at[blank]] = table.columns["day"][some[blank]]
    columns.worst = np.where(best >= 0, np.minimum(columns.worst, best), columns.worst)


def _add_untimed(columns: _Columns, sentences: Sentences, runs: Runs, first: int, last: int) -> None:
    """VTG, GSA and GSV belong to the last position sentence before them."""
    timed = sentences.timed
    begin, end = int(runs.start[first]), int(runs.start[last])
    stop = timed.offset[end] if end < len(timed.offset) else _LATEST
    positions = begin + np.flatnonzero(timed.kind[begin:end] != ZDA)
    for name in ("VTG", "GSA", "GSV"):
        table = sentences.tables.get(name)
        if table is None or not len(positions):
            continue
        rows = np.arange(*np.searchsorted(table.offset, [timed.offset[positions[0]], stop]))
        before = positions[np.searchsorted(timed.offset[positions], table.offset[rows]) - 1]
        epochs = runs.of[before] - first
        if name == "GSV":
            columns.numbers["cn0_dbhz"] = _strengths(columns.size, table, rows, epochs)
            continue
        for number in ("vtg_speed_mps", "vtg_track_deg", "hdop"):
            if number in table.columns:
                known = np.flatnonzero(~np.isnan(table.columns[number][rows]))
                # an epoch may be followed by any number of them, so the first is taken at once, not in layers
                known = known[np.diff(epochs[known], prepend=-1) > 0]
                some = rows[known]
                columns.first_known(number, epochs[known], table.columns[number][some], table.offset[some])


def _strengths(size: int, table: Table, rows: Places, epochs: Places) -> Numbers:
    """(size,) mean C/N0 of the strongest four satellites, each at its strongest signal; NaN without."""
    names, strengths = table.columns["names"][rows], table.columns["strengths"][rows]
    known = names >= 0
    tag = np.broadcast_to(table.tag[rows, None].astype(np.int64), names.shape)[known]
    epoch = np.broadcast_to(epochs[:, None], names.shape)[known].astype(np.int64)
    name = (tag << 12) | names[known]
    key = np.sort((((epoch << _NAME_BITS) | name) << _STRENGTH_BITS) | strengths[known])
    strongest = key[np.append(np.diff(key >> _STRENGTH_BITS) != 0, True)] if len(key) else key
    epoch = strongest >> (_NAME_BITS + _STRENGTH_BITS)
    weak = 127 - (strongest & 127)
    ordered = np.sort((epoch << _STRENGTH_BITS) | weak)
    epoch = ordered >> _STRENGTH_BITS
    starts = np.searchsorted(epoch, epoch)  # the first of each epoch's
    kept = np.arange(len(ordered)) - starts < STRONGEST
    total = np.bincount(epoch[kept], weights=127.0 - (ordered[kept] & 127), minlength=size)
    with np.errstate(invalid="ignore"):
        return np.asarray(total / np.bincount(epoch[kept], minlength=size), dtype=float)


def _fix(columns: _Columns, sentences: Sentences, runs: Runs, first: int, last: int) -> NDArray[np.int8]:
    """(E,) codes of `Fix`."""
    fix = np.append(_BY_QUALITY, np.full(_ABSENT, _CODES[Fix.THREE_D], dtype=np.int8))[columns.worst]
    if (runs.dimension == 2).any():
        timed = sentences.timed
        positions = np.flatnonzero(timed.kind != ZDA)
        ends = np.searchsorted(positions, runs.start[first + 1 : last + 1])  # the next epoch's first position
        offset = np.append(timed.offset[positions], _LATEST)[ends]
        flat = runs.dimension_before(offset) == 2
        fix[(fix == _CODES[Fix.THREE_D]) & flat] = _CODES[Fix.TWO_D]
    if "lat_deg" in columns.numbers:
        fix[np.isnan(columns.numbers["lat_deg"])] = _CODES[Fix.NONE]
        return fix
    return np.full(columns.size, _CODES[Fix.NONE], dtype=np.int8)


def _with_date_epochs(
    columns: _Columns, sentences: Sentences, runs: Runs, first: int, last: int
) -> EpochColumns:
    """The columns, with an epoch more before each that a date begins."""
    timed, start = sentences.timed, runs.start[first:last]
    own = runs.date_first[first:last] & runs.has_row[first:last]
    line = timed.line[start + own]  # a row's line is that of its first position
    blank = np.full(columns.size, np.nan)
    numbers = {name: columns.numbers.get(name, blank) for name in (*EPOCH_NUMBERS, "cn0_dbhz")}
    fix = _fix(columns, sentences, runs, first, last)
    found = EpochColumns(
        timed.time_ns[start],
        line,
        runs.has_row[first:last],
        columns.day,
        columns.two_digit_year,
        numbers,
        fix,
    )
    at = np.flatnonzero(own)
    if not len(at):
        return found
    return EpochColumns(
        np.insert(found.time_ns, at, found.time_ns[at]),
        np.insert(found.line, at, timed.line[start[at]]),
        np.insert(found.is_row, at, False),
        np.insert(found.day, at, found.day[at]),
        np.insert(found.two_digit_year, at, False),
        {name: np.insert(values, at, np.nan) for name, values in numbers.items()},
        np.insert(found.fix, at, _CODES[Fix.NONE]).astype(np.int8),
    )
