"""Logs out of .gz and .zip files, without trusting anything that stands in them.

Everything happens in memory, and no path from an archive is ever one here: the last part of a name, made
plain, tells two logs apart, and what stands before it passes over folders and hidden files. Sizes that an
archive states are not believed; what comes out is counted. What is kept and hashed is the log, not the
archive: packing it again changes an archive's bytes, and nothing that a logger wrote.
"""

from __future__ import annotations

import io
import os
import re
import struct
import zipfile
import zlib
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import PurePath

from speedlog.errors import SpeedlogError, plain
from speedlog.importers import OpenedLog, ReadOptions, Source, check_content, read_source
from speedlog.settings import ReadSettings

GZIP = b"\x1f\x8b"
ZIP = (b"PK\x03\x04", b"PK\x05\x06")
_STEP = 1 << 20  # bytes unpacked at a time
_FIRST_BYTES, _MOST_BYTES = 512, 1 << 16  # of packed bytes at a time, at a member's start and later
_SLACK = 1 << 20  # bytes: so much may always come out; small files pack by any ratio
_END = struct.Struct("<4s4H2LH")  # end of central directory record: APPNOTE.TXT 6.3.10, section 4.3.16
_DIRECTORY_BYTES = 1 << 20  # of names: an archive with more of them is none of logs
_TODO = "Unpack it first, and name the logs."
_FOREIGN = re.compile(r"[^\w .()+-]")  # what is no plain letter of a file's name anywhere
_LONGEST_NAME = 80  # characters
_NAMED = 6  # files that a warning names; of more, how many


@dataclass(frozen=True)
class Member:
    """A file in an archive: a plain name that no other in it has, and its bytes."""

    name: str
    data: bytes


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


def open_packed(whole: Source, options: ReadOptions) -> tuple[OpenedLog, ...]:
    """The logs of a .gz or .zip; what is none is named in the first one's notes.

    Raises:
        SpeedlogError: see `unpack`; no log in it; the mapping of columns holds a mistake.
    """
    kind = "gzip" if whole.data.startswith(GZIP) else "zip"
    members = unpack(whole.data, whole.file, options.settings)
    opened: list[OpenedLog] = []
    passed_over: list[SpeedlogError] = []
    for member in members:
        file = whole.file if len(members) == 1 else f"{whole.file}/{member.name}"
        try:
            check_content(member.data, file, options.settings, inside=True)
            source = Source(file, member.data, kind, member.name)
            recording = read_source(source, options)
        except SpeedlogError as problem:
            if len(members) == 1 or _is_of_mapping(problem, options):
                raise
            passed_over.append(problem)
            continue
        opened.append(OpenedLog(source, recording))
    if not opened:
        none = f"an archive of {len(members)} files, none of them a log ({_why(passed_over[0])})"
        raise SpeedlogError(none, file=whole.file)
    first = opened[0].recording
    told = replace(first, warnings=(*first.warnings, _of_hash(whole, kind, len(opened))))
    return (OpenedLog(opened[0].source, told, _of_passed_over(whole, passed_over)), *opened[1:])


def only_member(whole: Source, settings: ReadSettings) -> Source:
    """The one file of a .gz or .zip.

    Raises:
        SpeedlogError: see `unpack`; or there are more.
    """
    members = unpack(whole.data, whole.file, settings)
    if len(members) > 1:
        raise SpeedlogError(
            f"an archive with {len(members)} files, where one is needed", file=whole.file, todo=_TODO
        )
    check_content(members[0].data, whole.file, settings, inside=True)
    return Source(
        whole.file, members[0].data, "gzip" if whole.data.startswith(GZIP) else "zip", members[0].name
    )


def _is_of_mapping(problem: SpeedlogError, options: ReadOptions) -> bool:
    return options.columns is not None and problem.file == plain(os.fspath(options.columns), 300)


def _why(problem: SpeedlogError) -> str:
    name = PurePath(problem.file or "").name
    where = f", line {problem.line}" if problem.line else ""
    return f"{plain(name, _LONGEST_NAME)}{where}: {problem.problem}"


def _of_hash(whole: Source, kind: str, count: int) -> str:
    name = plain(PurePath(whole.file).name, _LONGEST_NAME)
    if count == 1:
        return f"read out of {name} ({kind}): the sha256 is the log's own, not the packed file's"
    return f"{count} logs read out of {name} ({kind}): each sha256 is the log's own, not the packed file's"


def _of_passed_over(whole: Source, passed_over: list[SpeedlogError]) -> tuple[str, ...]:
    """One warning, or none, that names the files in an archive that are no logs, and why."""
    if not passed_over:
        return ()
    named = "; ".join(_why(problem) for problem in passed_over[:_NAMED])
    more = f"; and {len(passed_over) - _NAMED} more" if len(passed_over) > _NAMED else ""
    files = "1 file" if len(passed_over) == 1 else f"{len(passed_over)} files"
    name = plain(PurePath(whole.file).name, _LONGEST_NAME)
    return (f"{files} in {name} passed over, being no log: {named}{more}",)


def unpack(data: bytes, file: str, settings: ReadSettings) -> list[Member]:
    """The files in a .gz (one) or .zip (one or several), in the archive's order.

    Raises:
        SpeedlogError: damaged, encrypted, too big, packed too densely, too many files, or none.
    """
    room = _Room(len(data), file, settings)
    try:
        if data.startswith(GZIP):
            return [Member(_without_ending(file), _gunzip(data, room))]
        return _unzip(data, file, room, settings)
    except (zipfile.BadZipFile, zlib.error, EOFError, struct.error, ValueError, OSError) as problem:
        raise SpeedlogError("a damaged or cut-off archive", file=file, todo=_TODO) from problem
    except (
        NotImplementedError,
        RuntimeError,
    ) as problem:  # a method of packing that nobody knows; a password
        raise SpeedlogError("packed in a way that can't be read", file=file, todo=_TODO) from problem


def _without_ending(file: str) -> str:
    name = PurePath(file).name
    return name[:-3] if name.lower().endswith(".gz") and len(name) > 3 else name


def _gunzip(data: bytes, room: _Room) -> bytes:
    """RFC 1952: one member or several, one behind the other; NULs may follow."""
    out: list[bytes] = []
    at, view = 0, memoryview(data)
    while at < len(data):
        at = _gunzip_member(view, at, room, out)
        if at < len(data) and not data[at]:
            at = len(data) - len(data[at:].lstrip(b"\0"))
    return b"".join(out)


def _gunzip_member(view: memoryview, at: int, room: _Room, out: list[bytes]) -> int:
    """Unpack a member; where the next one begins. Bytes go in a few at a time: the rest is copied at each step."""
    member, count = zlib.decompressobj(wbits=31), _FIRST_BYTES
    while not member.eof:
        left: memoryview | bytes = view[at : at + count]
        if not len(left):
            raise EOFError
        at, count = at + len(left), min(2 * count, _MOST_BYTES)
        while left and not member.eof:
            piece = member.decompress(left, _STEP)
            left = member.unconsumed_tail
            room.take(len(piece))
            out.append(piece)
    return at - len(member.unused_data)


def _unzip(data: bytes, file: str, room: _Room, settings: ReadSettings) -> list[Member]:
    _check_directory(data, file)
    out = []
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        if "[Content_Types].xml" in archive.namelist():
            raise SpeedlogError("an office document, not a log", file=file, todo="Save the sheet as CSV.")
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
    names = _plain_names([member.filename for member in members])
    return [Member(name, content) for name, content in zip(names, out, strict=True)]


def _plain_names(paths: list[str]) -> list[str]:
    """The last part of each path, made plain; with the folders before it where two are alike, else with a number."""
    whole = ["_".join(_parts(path)) for path in paths]
    last = [_parts(path)[-1] for path in paths]
    counts = Counter(name.casefold() for name in last)
    found: list[str] = []
    taken: set[str] = set()
    for short, long in zip(last, whole, strict=True):
        name = (short if counts[short.casefold()] == 1 else long)[-_LONGEST_NAME:]
        number, unique = 2, name
        while unique.casefold() in taken:
            unique, number = f"{number} {name}", number + 1
        taken.add(unique.casefold())
        found.append(unique)
    return found


def _parts(path: str) -> list[str]:
    parts = [_FOREIGN.sub("_", part).strip(" .") for part in path.replace("\\", "/").split("/")]
    return [part for part in parts if part] or ["log"]


def _is_passed_over(item: zipfile.ZipInfo) -> bool:
    """Folders, hidden files and what one system puts beside every file."""
    name = item.filename.replace("\\", "/")
    parts = name.split("/")  # an empty name is a file's, on which item.is_dir() fails
    return name.endswith("/") or parts[-1].startswith(".") or "__MACOSX" in parts


def _check_directory(data: bytes, file: str) -> None:
    """Refuse a list of files that would fill the memory before any is counted."""
    at = data.rfind(b"PK\x05\x06")
    if at < 0:
        raise EOFError
    size = _END.unpack_from(data, at)[5]
    if size > _DIRECTORY_BYTES or data[max(at - 20, 0) : at].startswith(b"PK\x06\x07"):
        raise SpeedlogError("an archive of far too many or too big files", file=file, todo=_TODO)
