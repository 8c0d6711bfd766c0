"""NMEA 0183 logs of any talker: RMC, GGA, GLL, GNS, VTG, GSA, GSV, GST, ZDA."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, ascii_bytes
from speedlog.importers.epochs import build_recording
from speedlog.importers.nmea_fast import Sentences, read_sentences
from speedlog.importers.nmea_finish import EpochColumns, finished
from speedlog.importers.nmea_join import join_sentences
from speedlog.importers.nmea_scan import Found, find_sentences, has_sentences
from speedlog.importers.nmea_sentence import EPOCH_ORDINAL, SentenceError, SentenceFields, read_sentence
from speedlog.samples import MOST_REJECTS, Clock, Recording, Reject

NAME = "nmea"


def sniff(head: bytes) -> bool:
    """Whether the head of a file holds NMEA sentences."""
    return has_sentences(ascii_bytes(head))


@dataclass
class _Tally:
    """What is counted on the way."""

    rejects: list[Reject] = field(default_factory=list)
    rejected: int = 0
    unchecked: int = 0
    bad_dates: int = 0
    unusual: dict[str, int] = field(default_factory=dict)
    years: dict[int, int] = field(default_factory=dict)
    untimed_places: int = 0

    def reject(self, line: int, reason: str) -> None:
        self.rejected += 1
        if len(self.rejects) < MOST_REJECTS:
            self.rejects.append(Reject(line, reason))

    def count(self, fields: SentenceFields) -> None:
        self.bad_dates += fields.bad_date
        if fields.unusual:
            self.unusual[fields.unusual] = self.unusual.get(fields.unusual, 0) + 1


def read(source: Source, options: ReadOptions = ReadOptions()) -> Recording:  # noqa: B008 (frozen)
    """Read an NMEA log.

    Raises:
        SpeedlogError: no sentence in it gives a position and a time.
    """
    data = ascii_bytes(source.data)
    epochs, tally = _epochs(data)
    rows, dated, notes = finished(epochs, tally.years, options.settings)
    if not len(rows.time_ns):
        raise _nothing_usable(tally, source)
    return build_recording(
        source,
        format=NAME,
        clock=Clock.UTC if dated else Clock.TIME_OF_DAY,
        epochs=rows,
        rejects=tally.rejects,
        rejected=tally.rejected,
        warnings=[*_warnings(tally, dated), *notes],
        options=options,
    )


def _nothing_usable(tally: _Tally, source: Source) -> SpeedlogError:
    what = "NMEA without a timed position sentence (RMC, GGA, GNS, GLL)"
    if not tally.rejects:
        return SpeedlogError(what, file=source.file, todo="Have the receiver send RMC or GGA too.")
    first = tally.rejects[0]
    return SpeedlogError(
        f"{what}; {tally.rejected} rejected, the first of them: {first.reason}",
        file=source.file,
        line=first.line,
        todo="Copy the log again; where it is the same, the link between receiver and logger loses bytes.",
    )


def _epochs(data: bytes) -> tuple[EpochColumns, _Tally]:
    """The epochs of a log, and what was counted on the way."""
    tally, checked = _Tally(), writes_checksums(data)

    def read_or_reject(found: Found, line: int) -> SentenceFields | None:
        try:
            fields = read_found(found, checked)
        except SentenceError as reason:
            tally.reject(line, f"{found.text[1:6]}: {reason}")
            return None
        tally.unchecked += found.end != "checksum"
        if fields is not None:
            tally.count(fields)
        return fields

    sentences = read_sentences(data, read_or_reject, checked)
    tally.unchecked += sentences.unchecked
    epochs, tally.untimed_places = join_sentences(data, sentences)
    tally.years = _years(sentences)
    return epochs, tally


def _years(sentences: Sentences) -> dict[int, int]:
    """Four-digit years by their last two digits, as ZDA gives them; the last in the file holds."""
    found = [
        (offset, fields.date.year)
        for offset, _, fields in sentences.careful
        if fields.date is not None and not fields.two_digit_year
    ]
    table = sentences.tables.get("ZDA")
    if table is not None:
        for day in np.unique(table.columns["day"]):
            last = int(np.flatnonzero(table.columns["day"] == day)[-1])
            found.append((int(table.offset[last]), dt.date.fromordinal(int(day) + EPOCH_ORDINAL).year))
    return {year % 100: year for _, year in sorted(found)}


def writes_checksums(data: bytes) -> bool:
    """Whether this log writes checksums: then a sentence without one has been cut."""
    with_it = without = 0
    for found in find_sentences(data):
        with_it += found.end == "checksum"
        without += found.end == "line"
        if with_it + without >= 1000:
            break
    return with_it >= without


def read_found(found: Found, checked: bool) -> SentenceFields | None:
    """Read one sentence of a log that writes checksums, or doesn't.

    Raises:
        SentenceError: see `read_sentence`; cut short.
    """
    if found.end == "cut" or (checked and found.end == "line"):
        raise SentenceError("cut short")
    return read_sentence(found.text)


def _sentences(count: int, one: str, many: str) -> str:
    return f"1 sentence {one}" if count == 1 else f"{count} sentences {many}"


def _warnings(tally: _Tally, dated: bool) -> list[str]:
    found = []
    if tally.unchecked:
        found.append(f"{_sentences(tally.unchecked, 'has', 'have')} no checksum: taken as they are")
    if not dated:
        found.append("no sentence gives a date: times are UTC times of day")
    if tally.bad_dates:
        found.append(
            f"{_sentences(tally.bad_dates, 'gives', 'give')} an impossible date: dated by the others"
        )
    if tally.untimed_places:
        found.append(
            f"{_sentences(tally.untimed_places, 'gives', 'give')} a position without a time: left out"
        )
    for word, count in sorted(tally.unusual.items()):
        found.append(
            f"{_sentences(count, 'is', 'are')} marked as {word} positions: no measurement stands behind them"
        )
    return found
