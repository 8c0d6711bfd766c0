"""The sentences behind an epoch of an NMEA log: the lines around it merged once more, one by one."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import pandas as pd

from speedlog.importers import Source, ascii_bytes
from speedlog.importers.epoch_times import DAY_NS
from speedlog.importers.nmea import read_found, writes_checksums
from speedlog.importers.nmea_finish import EPOCH_NUMBERS, NO_HDOP, VTG_LEADS
from speedlog.importers.nmea_merge import Epoch, Epochs
from speedlog.importers.nmea_scan import LineNumbers, find_sentences
from speedlog.importers.nmea_sentence import SentenceError, SentenceFields, read_sentence
from speedlog.importers.trace import Became, EpochTrace, Piece, RawLine, factor_words, merged_pieces, visible
from speedlog.samples import COLUMN, Recording
from speedlog.units import find_unit

_AROUND = 400  # lines read again before an epoch and after it; no receiver says as much in three epochs
_ELSEWHERE = "not of this epoch, but what it says still holds"
_LONG_LINE = 300  # characters: of a longer one, only the sentence is shown
_KNOTS, _KMH = (factor_words(find_unit(symbol, "speed")) for symbol in ("kn", "km/h"))
# fields from 1, after the tag ("NMEA Revealed", gpsd www/NMEA.adoc)
_FIELDS: dict[str, dict[str, tuple[int, ...]]] = {
    "RMC": {"time": (1,), "date": (9,), "lat_deg": (3, 4), "lon_deg": (5, 6), "speed_mps": (7,),
            "track_deg": (8,), "fix": (2, 12)},
    "GGA": {"time": (1,), "lat_deg": (2, 3), "lon_deg": (4, 5), "fix": (6,), "satellites": (7,),
            "hdop": (8,), "alt_m": (9,)},
    "GLL": {"lat_deg": (1, 2), "lon_deg": (3, 4), "time": (5,), "fix": (6, 7)},
    "GNS": {"time": (1,), "lat_deg": (2, 3), "lon_deg": (4, 5), "fix": (6,), "satellites": (7,),
            "hdop": (8,), "alt_m": (9,)},
    "GSA": {"fix": (2,), "hdop": (16,)},
    "ZDA": {"time": (1,), "date": (2, 3, 4)},
}  # fmt: skip
_COLUMN_OF = {"vtg_speed_mps": "speed_mps", "vtg_track_deg": "track_deg"}


@dataclass(eq=False)
class _Said:
    """A sentence, as it stands and as it was read."""

    line: int
    text: str
    fields: SentenceFields

    def pieces(self, column: str) -> tuple[Piece, ...]:
        places = self._places(column)
        data = [item.strip() for item in self.text.partition("*")[0].split(",")]
        kind = self.fields.kind
        return tuple(Piece(self.line, f"{kind} field {at}", data[at]) for at in places if at < len(data))

    def _places(self, column: str) -> tuple[int, ...]:
        kind, data = self.fields.kind, self.text.partition("*")[0].split(",")
        if kind == "VTG":
            bare = len(data) == 5
            knots, kmh = (3, 4) if bare else (5, 7)
            in_knots = knots < len(data) and data[knots].strip()
            return {"track_deg": (1,), "speed_mps": (knots if in_knots else kmh,)}.get(column, ())
        if kind == "GSV":
            return tuple(at for at in range(7, len(data), 4) if data[at].strip())
        return _FIELDS[kind].get(column, ())

    @property
    def in_knots(self) -> bool:
        return self.fields.kind == "RMC" or self._places("speed_mps")[0] in (3, 5)


@dataclass(eq=False)
class _Built:
    """An epoch, its sentences, and for each of its numbers the one that gave it."""

    epoch: Epoch
    said: list[_Said] = field(default_factory=list)
    source: dict[str, _Said] = field(default_factory=dict)
    told_before: _Said | None = None  # the last GSA before it
    state: dict[str, object] = field(default_factory=dict)

    def add(self, said: _Said) -> None:
        """Note what the sentence just added has changed."""
        self.said.append(said)
        for name in (*EPOCH_NUMBERS, "date"):
            value = getattr(self.epoch, name)
            if value != self.state.get(name) and not (isinstance(value, float) and math.isnan(value)):
                if value is not None and not (name == "date" and said.fields.date is None):
                    self.source[name] = said
                self.state[name] = value


@dataclass(eq=False)
class _Window:
    """The sentences around a line, merged."""

    built: list[_Built]
    thrown_away: list[tuple[int, str]]


def trace_sentences(
    source: Source, recording: Recording, lines: tuple[int, ...], sample: pd.Series
) -> EpochTrace:
    """See `trace.trace_epoch`."""
    data = ascii_bytes(source.data)
    numbers = LineNumbers(data)
    traces, known = [], []
    for line in lines:
        window = _merge_around(data, numbers, line)
        rows = [built for built in window.built if built.epoch.is_row]
        time_ns = int(pd.Timestamp(str(sample.name)).value) % DAY_NS
        here = [at for at, built in enumerate(rows) if built.epoch.line == line]
        if not here:
            continue
        at = min(here, key=lambda at: abs(rows[at].epoch.time_ns - time_ns))
        before = rows[at - 1] if at else None
        trace = _trace(data, numbers, window, rows[at], before, recording, sample)
        traces.append(trace)
        known.append(_known(rows[at].epoch))
    return merged_pieces(traces, known)


def _known(epoch: Epoch) -> frozenset[str]:
    found = {_COLUMN_OF.get(name, name) for name in EPOCH_NUMBERS if not math.isnan(getattr(epoch, name))}
    return frozenset(found | {"fix"} | ({"cn0_dbhz"} if epoch.cn0 else set()))


def _merge_around(data: bytes, numbers: LineNumbers, line: int) -> _Window:
    start, stop = numbers.start(max(line - _AROUND, 1)), numbers.start(line + _AROUND)
    checked, epochs = writes_checksums(data), Epochs()
    told = _dimension_before(data, numbers, start)
    epochs.start_with(told.fields.dimension if told else None)
    built: dict[int, _Built] = {}
    window = _Window([], [])
    for found in find_sentences(data, start, stop):
        number = numbers(found.offset)
        try:
            fields = read_found(found, checked)
        except SentenceError as reason:
            window.thrown_away.append((number, f"thrown away: {reason}"))
            continue
        if fields is None:
            continue
        said = _Said(number, found.text, fields)
        epoch = epochs.add(fields, number)
        if fields.dimension is not None and epoch is None:
            told = said
        if epoch is None:
            continue
        if id(epoch) not in built:
            built[id(epoch)] = _Built(epoch, told_before=told)
            window.built.append(built[id(epoch)])
        built[id(epoch)].add(said)
        told = said if fields.dimension is not None else told
    return window


def _dimension_before(data: bytes, numbers: LineNumbers, start: int) -> _Said | None:
    """The last GSA before a place that says 2 or 3 dimensions."""
    stop = start
    while stop > 0:
        at = data.rfind(b"GSA,", 0, stop)
        if at < 3:
            return None
        stop = at
        for found in find_sentences(data, at - 3, min(at + 300, start)):
            try:
                fields = read_sentence(found.text) if found.end == "checksum" else None
            except SentenceError:
                fields = None
            if fields is not None and fields.dimension is not None:
                return _Said(numbers(found.offset), found.text, fields)
            break
    return None


def _trace(
    data: bytes,
    numbers: LineNumbers,
    window: _Window,
    built: _Built,
    before: _Built | None,
    recording: Recording,
    sample: pd.Series,
) -> EpochTrace:
    notes = []
    became = [_time(built, window, recording)]
    number_of = dict(built.source)
    if VTG_LEADS in recording.warnings:
        for name in ("vtg_speed_mps", "vtg_track_deg"):
            number_of.pop(name, None)
            if before is not None and name in before.source:
                number_of[name] = before.source[name]
                notes.append("this receiver writes speed and course (VTG) before their position: taken so")
    for name, said in number_of.items():
        column = _COLUMN_OF.get(name, name)
        if name != "date" and not (name != column and column in number_of):
            became.append(Became(column, said.pieces(column), _how(column, said, sample)))
    became.append(_fix(built, sample))
    strengths = [said for said in built.said if said.fields.kind == "GSV" and said.pieces("cn0_dbhz")]
    if built.epoch.cn0:
        pieces = tuple(piece for said in strengths for piece in said.pieces("cn0_dbhz"))
        became.append(Became("cn0_dbhz", pieces, "mean of the strongest four satellites"))
    lines = _lines(data, numbers, window, built, [piece.line for item in became for piece in item.pieces])
    return EpochTrace(lines, tuple(became), tuple(dict.fromkeys(notes)), built.epoch.time_ns)


def _lines(
    data: bytes, numbers: LineNumbers, window: _Window, built: _Built, wanted: list[int]
) -> tuple[RawLine, ...]:
    """The epoch's lines, those thrown away between its neighbours, and those elsewhere that it leans on."""
    own: dict[int, list[str]] = {}
    for said in built.said:
        own.setdefault(said.line, []).append(said.text)
    others = [said.line for other in window.built if other is not built for said in other.said]
    first, last = min(own), max(own)
    after_last = min((line for line in others if line > last), default=numbers.count + 1)
    before_first = max((line for line in others if line < first), default=0)
    notes = dict.fromkeys(own, "") | {line: _ELSEWHERE for line in wanted if line not in own}
    for line, reason in window.thrown_away:
        if before_first < line < after_last:
            notes.setdefault(line, reason)
    return tuple(
        RawLine(line, _text(data, numbers, line, own.get(line, [])), notes[line]) for line in sorted(notes)
    )


def _text(data: bytes, numbers: LineNumbers, line: int, sentences: list[str]) -> str:
    raw = data[numbers.start(line) : numbers.start(line + 1)].rstrip(b"\r\n")
    if len(raw) > _LONG_LINE:
        if sentences:
            return "… " + " … ".join(sentences)
        raw = raw[:_LONG_LINE]
    return visible(raw.decode("utf-8", errors="backslashreplace"))


def _time(built: _Built, window: _Window, recording: Recording) -> Became:
    first = next(said for said in built.said if said.fields.time_ns is not None)
    pieces = first.pieces("time")
    dated = built.source.get("date")
    how = "hhmmss, UTC"
    if dated is not None:
        return Became("time", (*pieces, *dated.pieces("date")), f"{how}; ddmmyy")
    if str(recording.clock) == "time_of_day":
        return Became("time", pieces, f"{how}; nothing in the log gives a date")
    at = window.built.index(built)
    for other in [*reversed(window.built[:at]), *window.built[at + 1 :]]:
        if "date" in other.source:
            date = other.source["date"].pieces("date")
            return Became("time", (*pieces, *date), f"{how}; the date is carried over")
    return Became("time", pieces, f"{how}; the date is carried over from elsewhere in the log")


def _how(column: str, said: _Said, sample: pd.Series) -> str:
    texts = [piece.text for piece in said.pieces(column)]
    if column in ("lat_deg", "lon_deg"):
        way = "degrees + minutes / 60"
        if pd.isna(sample[column]):
            return f"{way}; left out: 0, 0 is no receiver's place, but a blank"
        return f"{way}, {texts[1]} negative" if texts[1] in ("S", "W") else way
    way = "" if column != "speed_mps" else f"kn {_KNOTS}" if said.in_knots else f"km/h {_KMH}"
    if not pd.isna(sample[column]):
        return f"{way}, turned into 0 to 360" if column == "track_deg" and not _turned(texts[0]) else way
    if column == "hdop" and float(texts[0]) >= NO_HDOP:
        return "left out: receivers write 99 and more for none"
    limits = COLUMN[column]
    return f"{way}; left out: outside {limits.low:g} to {limits.high:g}".lstrip("; ")


def _turned(text: str) -> bool:
    return 0.0 <= float(text) < 360.0


def _fix(built: _Built, sample: pd.Series) -> Became:
    pieces: list[Piece] = []
    seen = set()
    for said in built.said:
        if said.fields.quality is not None and said.fields.kind not in ("GSA", "GSV", "VTG"):
            pieces += [piece for piece in said.pieces("fix") if piece.text]
            seen.add(said.fields.kind)
    told = next(
        (said for said in reversed(built.said) if said.fields.dimension is not None), built.told_before
    )
    if sample["fix"] == "none" and math.isnan(built.epoch.lat_deg):
        return Became("fix", tuple(pieces), "no position: no fix")
    if told is not None and sample["fix"] in ("2d", "3d"):
        pieces += told.pieces("fix")
        return Became("fix", tuple(pieces), "valid; the last GSA says 2D or 3D")
    if sample["fix"] == "3d":
        return Became("fix", tuple(pieces), "valid; no GSA says otherwise: 3D")
    return Became(
        "fix", tuple(pieces), "what the sentences say of it; the worst holds" if len(seen) > 1 else ""
    )
