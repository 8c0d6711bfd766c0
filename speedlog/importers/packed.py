"""Logs out of .gz and .zip files, without trusting anything that stands in them.

Everything happens in memory: no name or path from an archive is used for anything but to pass over
folders and hidden files. Sizes that an archive states are not believed; what comes out is counted.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib

from speedlog.errors import SpeedlogError
from speedlog.settings import ReadSettings

GZIP = b"\x1f\x8b"
ZIP = (b"PK\x03\x04", b"PK\x05\x06")
_STEP = 1 << 20  # bytes unpacked at a time
_SLACK = 1 << 20  # bytes: so much may always come out; small files pack by any ratio
_END = struct.Struct("<4s4H2LH")  # end of central directory record: APPNOTE.TXT 6.3.10, section 4.3.16
_DIRECTORY_BYTES = 1 << 20  # of names: an archive with more of them is none of logs
_TODO = "Unpack it first, and name the logs."


class _Room:
    """How much may still come out of a packed file."""

    def __init__(self, packed: int, file: str, settings: ReadSettings) -> None:
        self._file, self._settings = file, settings
        self._biggest = int(settings.biggest_file_mb * 1e6)
        self._by_ratio = int(packed * settings.most_unpacked_ratio) + _SLACK
        self._taken = 0

    def take(self, count: int) -> None:
        """Count what came out.

        Raises:
            SpeedlogError: too much.
        """
        self._taken += count
        if self._taken > self._biggest:
            limit = f"over the limit of {self._settings.biggest_file_mb:.0f} MB when unpacked"
            raise SpeedlogError(limit, file=self._file)
        if self._taken > self._by_ratio:
            ratio = f"over {self._settings.most_unpacked_ratio:.0f} times its size when unpacked"
            raise SpeedlogError(f"{ratio}: no log packs so well", file=self._file, todo=_TODO)


def is_packed(data: bytes) -> bool:
    """Whether these bytes are a .gz or .zip file."""
    return data.startswith((GZIP, *ZIP))


def unpack(data: bytes, file: str, settings: ReadSettings) -> list[bytes]:
    """The files in a .gz (one) or .zip (one or several), in the archive's order.

    Raises:
        SpeedlogError: damaged, encrypted, too big, packed too densely, too many files, or none.
    """
    room = _Room(len(data), file, settings)
    try:
        return [_gunzip(data, room)] if data.startswith(GZIP) else _unzip(data, file, room, settings)
    except (zipfile.BadZipFile, zlib.error, EOFError, struct.error, ValueError, OSError) as problem:
        raise SpeedlogError("a damaged or cut-off archive", file=file, todo=_TODO) from problem
    except (
        NotImplementedError,
        RuntimeError,
    ) as problem:  # a method of packing that nobody knows; a password
        raise SpeedlogError("packed in a way that can't be read", file=file, todo=_TODO) from problem


def _gunzip(data: bytes, room: _Room) -> bytes:
    """RFC 1952: one member or several, one behind the other; NULs may follow."""
    out: list[bytes] = []
    left = data
    while left:
        member = zlib.decompressobj(wbits=31)
        while not member.eof:
            piece = member.decompress(left, _STEP)
            left = member.unconsumed_tail
            room.take(len(piece))
            out.append(piece)
            if not piece and not left and not member.eof:
                raise EOFError
        left = member.unused_data.lstrip(b"\0")
    return b"".join(out)


def _unzip(data: bytes, file: str, room: _Room, settings: ReadSettings) -> list[bytes]:
    _check_directory(data, file)
    out = []
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = [item for item in archive.infolist() if not _is_passed_over(item)]
        if len(members) > settings.most_packed_files:
            many = f"holds {len(members)} files, over the limit of {settings.most_packed_files}"
            raise SpeedlogError(many, file=file, todo=_TODO)
        for member in members:
            if member.flag_bits & 1:
                raise SpeedlogError("encrypted", file=file, todo=_TODO)
            if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise NotImplementedError
            pieces = []
            with archive.open(member) as stream:
                while piece := stream.read(_STEP):
                    room.take(len(piece))
                    pieces.append(piece)
            out.append(b"".join(pieces))
    if not out:
        raise SpeedlogError("an archive without files", file=file)
    return out


def _is_passed_over(item: zipfile.ZipInfo) -> bool:
    """Folders, hidden files and what one system puts beside every file."""
    parts = item.filename.replace("\\", "/").split("/")
    return item.is_dir() or parts[-1].startswith(".") or "__MACOSX" in parts


def _check_directory(data: bytes, file: str) -> None:
    """Refuse a list of files that would fill the memory before any is counted."""
    at = data.rfind(b"PK\x05\x06")
    if at < 0:
        raise EOFError
    size = _END.unpack_from(data, at)[5]
    if size > _DIRECTORY_BYTES or data[max(at - 20, 0) : at].startswith(b"PK\x06\x07"):
        raise SpeedlogError("an archive of far too many or too big files", file=file, todo=_TODO)
