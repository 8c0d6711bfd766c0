"""The oracle of the fast NMEA reader: the same log, a sentence at a time, from beginning to end."""

from __future__ import annotations

from unittest.mock import patch

import numpy as np
import pandas as pd

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, nmea
from speedlog.importers.nmea_finish import EpochColumns
from speedlog.importers.nmea_merge import Epochs
from speedlog.importers.nmea_scan import LineNumbers, find_sentences
from speedlog.importers.nmea_sentence import SentenceError
from speedlog.samples import Recording


def _one_by_one(data: bytes) -> tuple[EpochColumns, nmea._Tally]:
    line_of, tally, epochs = LineNumbers(data), nmea._Tally(), Epochs()
    checked = nmea.writes_checksums(data)
    for found in find_sentences(data):
        line = line_of(found.offset)
        try:
            fields = nmea.read_found(found, checked)
        except SentenceError as reason:
            tally.reject(line, f"{found.text[1:6]}: {reason}")
            continue
        tally.unchecked += found.end != "checksum"
        if fields is None:
            continue
        tally.count(fields)
        if fields.date is not None and not fields.two_digit_year:
            tally.years[fields.date.year % 100] = fields.date.year
        epochs.add(fields, line)
    tally.untimed_places = epochs.untimed_places
    return epochs.columns(), tally


def read(data: bytes, *, careful: bool = False) -> Recording | str:
    """What reading gives, or the text of its refusal."""
    source = Source("log.nmea", data)
    try:
        if not careful:
            return nmea.read(source, ReadOptions())
        with patch.object(nmea, "_epochs", _one_by_one):
            return nmea.read(source, ReadOptions())
    except SpeedlogError as problem:
        return str(problem)


def assert_alike(one: Recording | str, other: Recording | str) -> None:
    """Two outcomes are the same to the last digit, with the same rejects and warnings in the same order."""
    if isinstance(one, str) or isinstance(other, str):
        assert one == other
        return
    assert len(one.segments) == len(other.segments)
    for ours, theirs in zip(one.segments, other.segments, strict=True):
        pd.testing.assert_frame_equal(ours, theirs, check_exact=True)
    for ours_of, theirs_of in zip(one.lines, other.lines, strict=True):
        np.testing.assert_array_equal(ours_of.line, theirs_of.line)
        assert (ours_of.row is None) == (theirs_of.row is None)
        if ours_of.row is not None:
            np.testing.assert_array_equal(ours_of.row, theirs_of.row)
    for name in ("sha256", "clock", "rejects", "rejected", "warnings", "declared_breaks", "facts", "origins"):
        assert getattr(one, name) == getattr(other, name), name
