"""Changes to a log that a logger, a power cut or a stranger could make; each knows how its format looks."""

from __future__ import annotations

import gzip
import io
import re
import zipfile
import zlib
from collections.abc import Callable
from random import Random

from tests.importers.nmea_text import framed

_NUMBER = re.compile(rb"[-+]?\d+(?:[.,]\d*)?")
_SENTENCE = re.compile(rb"\$([ -#%-)+-~]{1,100})\*[0-9A-Fa-f]{2}")
_SEPARATORS = (b",", b";", b"\t", b"|", b" ")
HOSTILE = (
    b"", b" ", b"-0", b"+", b".", b"1e999", b"-1e999", b"nan", b"inf", b"99999999999999999999",
    b"0x1F", b"1_000",
    "\u0661\u0662".encode(), b"\xff", b"\x00", b"-180.0000001", b"1.797e308", b"4294967296",
    b"000000000000", b"86400",
    b"240000.00", b"235960.99", b"290200", b"310999", b"1970-01-01", b"2024-02-30T25:61:61Z",
    b"9999-12-31T23:59:59Z",
    b"0000-00-00", b"1677-09-21T00:12:43Z", b"2262-04-11T23:47:17Z", b"12:00:00 PM", b'"', b"'",
    b'""', b"=1+1", b"\xc2\xb0",
    b"9" * 40, b"1" * 400, b"-", b"NaN", b"--", b"9223372036854775807", b"5e-324", b"1,5",
    b"1.2.3", b"\xe2\x80\xa8",
)  # fmt: skip
WORDS = {
    "nmea": (
        b"$GPRMC,", b"$GNGGA,", b"$GPGLL,", b"$GNGNS,", b"$GPVTG,", b"$GPGSA,", b"$GPGSV,",
        b"$GPGST,", b"$GPZDA,", b"*00",
        b"$", b"*", b",,", b"A", b"V", b"N", b"S", b"E", b"W", b"D", b"\\s:x*11\\", b"$PMTK",
        b"!AIVDM,", b"\r", b"\r\n", b"\n\n",
    ),
    "gpx": (
        b"<trkpt", b"</trkpt>", b"<trkseg>", b"</trkseg>", b"<time>", b"</time>", b"<speed>",
        b"</speed>", b'lat="', b'lon="',
        b"<!DOCTYPE x>", b"<!ENTITY a 'b'>", b"&amp;", b"&a;", b"<![CDATA[", b"]]>", b"<!--",
        b"-->", b"<?xml version='1.0'?>",
        b"xmlns:x='y'", b"<x:speed>", b"<gpx version='1.0'>", b"<extensions>", b"<fix>dgps</fix>",
        b"<hdop>", b"<rtept>", b"\xef\xbb\xbf",
    ),
    "delimited": (
        b"Time", b"UTC", b"Date", b"Latitude", b"lat", b"lon", b"Speed (km/h)", b"speed_mph",
        b"RPM", b"Current [A]", b"Volt",
        b"ms", b"time (s)", b"#", b"\r", b"\r\n", b"\n\n", b"\xff\xfe", b"\xef\xbb\xbf", b"N",
        b"W", b"km/h", b"PM", b"Z", b"+02:00",
    ),
}  # fmt: skip
WORDS["packed"] = (
    b"PK\x01\x02",
    b"PK\x03\x04",
    b"PK\x05\x06",
    b"\x1f\x8b\x08",
    b"../",
    b"\x08\x00",
    b"\x00\x00",
)


def mutated(name: str, data: bytes, other: bytes, random: Random, most: int) -> bytes:
    """`data` changed a few times, at most `most` bytes long.

    Args:
        name: of the importer.
        other: another input, to take pieces from.
    """
    if name == "packed":
        return _repacked(data, other, random, most)
    for _ in range(random.choice((1, 1, 2, 3, 6))):
        data = random.choice(_CHANGES)(name, data, other, random)[: 2 * most]
    if name == "nmea" and random.random() < 0.7:
        data = resealed(data)
    return data[:most]


def resealed(data: bytes) -> bytes:
    """Every sentence with a right checksum: without it nothing behind the checksum's test would ever be seen."""
    return _SENTENCE.sub(lambda found: framed(found[1].decode("ascii")).encode("ascii"), data)


def _lines(name: str, data: bytes, other: bytes, random: Random) -> bytes:
    """Lines dropped, doubled, moved, taken from elsewhere."""
    lines = data.splitlines(keepends=True) or [b""]
    at, length = random.randrange(len(lines)), random.choice((1, 1, 1, 2, 5, 20))
    piece = lines[at : at + length]
    del lines[at : at + random.choice((0, length))]
    if random.random() < 0.3:
        piece = other.splitlines(keepends=True)
        start = random.randrange(len(piece) or 1)
        piece = piece[start : start + length]
    to = random.randrange(len(lines) + 1)
    lines[to:to] = piece * random.choice((0, 1, 1, 2, 50))
    return b"".join(lines)


def _number(name: str, data: bytes, other: bytes, random: Random) -> bytes:
    """A number made another one, or hostile."""
    found = list(_NUMBER.finditer(data))
    if not found:
        return _bytes(name, data, other, random)
    spot = random.choice(found)
    old = spot[0]
    new = random.choice(
        (
            random.choice(HOSTILE),
            b"-" + old,
            old[:-1],
            old + b"0",
            str(random.randrange(10 ** min(len(old), 30))).encode(),
        )
    )
    return data[: spot.start()] + new + data[spot.end() :]


def _field(name: str, data: bytes, other: bytes, random: Random) -> bytes:
    """A cell emptied, dropped, doubled or swapped with another of its line; or a whole column."""
    separator = random.choice(_SEPARATORS)
    lines = data.split(b"\n")
    at = random.randrange(len(lines))
    column = random.randrange(max(1, lines[at].count(separator) + 1))
    kind = random.randrange(4)
    where = range(len(lines)) if random.random() < 0.2 else (at,)
    for place in where:
        cells = lines[place].split(separator)
        if column >= len(cells):
            continue
        if kind == 0:
            cells[column] = random.choice(HOSTILE)
        elif kind == 1:
            del cells[column]
        elif kind == 2:
            cells.insert(column, cells[column])
        else:
            to = random.randrange(len(cells))
            cells[column], cells[to] = cells[to], cells[column]
        lines[place] = separator.join(cells)
    return b"\n".join(lines)


def _word(name: str, data: bytes, other: bytes, random: Random) -> bytes:
    at = random.randrange(len(data) + 1)
    return data[:at] + random.choice(WORDS[name]) + data[at + random.choice((0, 0, 1, 4)) :]


def _bytes(name: str, data: bytes, other: bytes, random: Random) -> bytes:
    """Bits turned, bytes dropped, doubled, put in."""
    if not data:
        return random.randbytes(random.randrange(1, 20))
    at, length = random.randrange(len(data)), random.choice((1, 1, 2, 4, 16, 512))
    kind = random.randrange(5)
    if kind == 0:
        return data[:at] + bytes([data[at] ^ 1 << random.randrange(8)]) + data[at + 1 :]
    if kind == 1:
        return data[:at] + data[at + length :]
    if kind == 2:
        return data[:at] + data[at : at + length] * random.choice((2, 3, 100)) + data[at:]
    if kind == 3:
        return data[:at] + random.randbytes(min(length, 16)) + data[at:]
    return data[:at] + random.choice((b"\0", b"\xff", b"\n", b"\r", b",")) * length + data[at:]


def _cut(name: str, data: bytes, other: bytes, random: Random) -> bytes:
    at = random.randrange(len(data) + 1)
    return random.choice((data[:at], data[at:], data[:at] + other[random.randrange(len(other) + 1) :]))


def _whole(name: str, data: bytes, other: bytes, random: Random) -> bytes:
    """What another system would do to the whole text."""
    kind = random.randrange(6)
    if kind == 0:
        return data.replace(b"\r\n", b"\n").replace(
            b"\n", random.choice((b"\r\n", b"\r", b"\n\n", b"\r\r\n"))
        )
    if kind == 1:
        return data.decode("latin-1").encode(
            random.choice(("utf-16-le", "utf-16-be", "utf-16", "utf-8-sig", "utf-32"))
        )
    if kind == 2:
        return data.replace(*random.sample(_SEPARATORS, 2))
    if kind == 3:
        return data.replace(b".", b",")
    return data + other if kind == 4 else data * 3


_Change = Callable[[str, bytes, bytes, Random], bytes]
_CHANGES: tuple[_Change, ...] = (
    _lines,
    _lines,
    _number,
    _number,
    _field,
    _field,
    _word,
    _bytes,
    _cut,
    _whole,
)


def _repacked(data: bytes, other: bytes, random: Random, most: int) -> bytes:
    """An archive damaged as bytes, or its logs changed and packed again."""
    kind = random.randrange(4)
    if kind == 0:
        return random.choice((_bytes, _word, _cut))("packed", data, other, random)[:most]
    inner = [
        mutated(random.choice(("nmea", "gpx", "delimited")), item, other[:4000], random, most)
        for item in _inner(data)
    ]
    if kind == 1:
        return b"".join(gzip.compress(item, mtime=0) for item in inner)[:most]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", random.choice((zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED))) as archive:
        for path, item in zip(
            random.sample(_PATHS, len(_PATHS)), inner * random.choice((1, 1, 2)), strict=False
        ):
            entry = zipfile.ZipInfo(path)
            archive.writestr(entry, item, random.choice((zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED)))
    return out.getvalue()[:most]


_PATHS = (
    "a.nmea",
    "b/a.nmea",
    "../c.csv",
    "d\\e.gpx",
    "C:f",
    "x" * 300,
    ".hidden",
    "con",
    "g\x1b[1m",
    "\u202egpj.exe",
    " ",
    "h//",
)


def _inner(data: bytes) -> list[bytes]:
    """The files in an archive as far as they can be read; else the bytes themselves."""
    try:
        if data.startswith(b"\x1f\x8b"):
            return [zlib.decompressobj(wbits=31).decompress(data, 1 << 16)]
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return [archive.open(item).read(1 << 16) for item in archive.infolist()[:4]] or [data]
    except (
        zipfile.BadZipFile,
        zlib.error,
        OSError,
        EOFError,
        RuntimeError,
        ValueError,
        NotImplementedError,
        LookupError,
    ):
        return [data]
