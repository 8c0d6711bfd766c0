"""What must hold for any bytes whatever: a sound Recording, or a refusal in one line. Nothing else gets out."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from pathlib import Path

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, delimited, detect, gpx
from speedlog.importers.packed import is_packed, open_packed
from speedlog.samples import COLUMN_NAMES, MOST_REJECTS, Recording, check_samples
from speedlog.settings import ReadSettings
from tests.importers.nmea_careful import read as read_nmea

LONGEST_LINE = 1500  # characters: a file's name, a problem and what to do, each cut where it is made
# a small limit: an archive of a few kilobytes may be unpacked to as much, thousands of times
SMALL = ReadOptions(settings=ReadSettings(biggest_file_mb=2.0))


def check_nmea(data: bytes) -> bool:
    """The fast reader and the careful one, which reads a sentence at a time, must agree to the last digit."""
    fast = read_nmea(data)
    assert_same(fast, read_nmea(data, careful=True))
    return _judged(fast)


def check_gpx(data: bytes) -> bool:
    return _judged(_outcome(lambda: gpx.read(Source("log.gpx", data), SMALL)))


def check_delimited(data: bytes) -> bool:
    return _judged(_outcome(lambda: delimited.read(Source("log.csv", data), SMALL)))


def check_packed(data: bytes) -> bool:
    """An archive, or a log as it is: as the program takes a file."""
    source = Source("day.zip", data)
    if not is_packed(data):
        return _judged(_outcome(lambda: detect(source).read(source, SMALL)))
    try:
        opened = open_packed(source, SMALL)
    except SpeedlogError as problem:
        return _judged(str(problem))
    assert opened
    for item in opened:
        assert item.source.name and not set(item.source.name) & set('/\\:*?"<>|\0\n'), item.source.name
        assert_plain("".join(item.notes))
        _judged(item.recording)
    return True


CHECKS: dict[str, Callable[[bytes], bool]] = {
    "nmea": check_nmea,
    "gpx": check_gpx,
    "delimited": check_delimited,
    "packed": check_packed,
}


def check_whole(data: bytes, folder: Path) -> None:
    """The same through the whole of `speedlog inspect`: passes and faults of what was read too (slower)."""
    from speedlog.cli.inspect import describe_recording
    from speedlog.importers import read_all

    path = folder / "input"
    path.write_bytes(data)
    try:
        found = [describe_recording(item) for item in read_all(path)]
    except SpeedlogError as problem:
        assert_plain(str(problem))
        return
    assert found


def assert_same(one: Recording | str, other: Recording | str) -> None:
    """Two outcomes are the same to the last bit (`pandas.testing` takes ten times as long)."""
    if isinstance(one, str) or isinstance(other, str):
        assert one == other
        return
    assert len(one.segments) == len(other.segments)
    for ours, theirs in zip(one.segments, other.segments, strict=True):
        assert ours.index.equals(theirs.index)
        for name in COLUMN_NAMES:
            assert ours[name].equals(theirs[name]), name
    for name in ("sha256", "clock", "rejects", "rejected", "warnings", "declared_breaks", "facts"):
        assert getattr(one, name) == getattr(other, name), name


def _outcome(read: Callable[[], Recording]) -> Recording | str:
    try:
        return read()
    except SpeedlogError as problem:
        return str(problem)


def _judged(outcome: Recording | str) -> bool:
    """Whether it was read; asserts what holds for a reading and for a refusal."""
    if isinstance(outcome, str):
        assert_plain(outcome)
        return False
    assert outcome.segments and len(outcome.samples)
    for table in outcome.segments:
        check_samples(table)
    assert len(outcome.rejects) == min(outcome.rejected, MOST_REJECTS) or not outcome.rejects, "rejects"
    assert all(item.line is None or item.line >= 1 for item in outcome.rejects)
    for text in (*outcome.warnings, *(item.reason for item in outcome.rejects), *outcome.facts.values()):
        assert_plain(text)
    return True


def assert_plain(text: str) -> None:
    """One line, nothing in it that a terminal would obey, not endless."""
    assert len(text) <= LONGEST_LINE, f"{len(text)} characters"
    for character in text:
        assert unicodedata.category(character) not in ("Cc", "Zl", "Zp"), repr(text)
