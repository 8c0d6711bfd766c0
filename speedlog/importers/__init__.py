"""From a log file to a Recording: one list of importers, in the order in which they are tried.

An importer is one module with three names: `NAME`, `sniff(head: bytes) -> bool` (sees the first
`HEAD_BYTES` bytes, never raises) and `read(source: Source, options: ReadOptions) -> Recording`.
Content decides, never the file's name.
"""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import dataclass, field, replace
from functools import cached_property
from importlib import import_module
from pathlib import Path, PurePath
from types import ModuleType
from typing import TYPE_CHECKING

from speedlog.errors import SpeedlogError
from speedlog.samples import Recording
from speedlog.settings import ReadSettings

if TYPE_CHECKING:
    from concurrent.futures import Future

_BIG = 4_000_000  # bytes: a smaller file is hashed sooner than a thread is started
HEAD_BYTES = 64 * 1024


@dataclass(frozen=True)
class Source:
    """A file's name and its bytes: what an importer reads. No importer opens a file itself.

    Attributes:
        file: its name, as given; of one log of several in an archive: archive/log.
        packed: "gzip" or "zip" where it came out of one.
        name: under which its bytes are a file of their own; empty: `file`'s last part.
    """

    file: str
    data: bytes = field(repr=False)
    packed: str = ""
    name: str = ""

    @cached_property
    def sha256(self) -> str:
        return self._hashing.result() if self._hashing else _sha256(self.data)

    @cached_property
    def _hashing(self) -> Future[str] | None:
        """The hash of a big file, worked out beside the reading (hashlib lets other threads run)."""
        if len(self.data) < _BIG:
            return None
        from concurrent.futures import ThreadPoolExecutor  # late: a short review doesn't need it

        pool = ThreadPoolExecutor(1)
        hashing = pool.submit(_sha256, self.data)
        pool.shutdown(wait=False)
        return hashing


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@dataclass(frozen=True)
class ReadOptions:
    """What the user says about a file: the mapping of columns, if any."""

    columns: Path | None = None
    settings: ReadSettings = field(default_factory=ReadSettings)


_NAMES = ("nmea", "gpx", "delimited")  # in the order in which they are tried


def importers() -> tuple[ModuleType, ...]:
    """The importers in the order in which they are tried."""
    return tuple(map(_importer, _NAMES))


def _importer(name: str) -> ModuleType:
    """An importer, imported when it is tried: each brings its library."""
    return import_module(f"speedlog.importers.{name}")


@dataclass(frozen=True, eq=False)
class OpenedLog:
    """A log's own bytes (unpacked), what was read from them, and which files of its archive were passed over."""

    source: Source
    recording: Recording
    notes: tuple[str, ...] = ()


def read(path: str | os.PathLike[str], options: ReadOptions = ReadOptions()) -> Recording:
    """Read a log file of any known format; packed as .gz or .zip too, if it is the only log in it.

    Raises:
        SpeedlogError: not a file, not readable, empty, too big, compressed otherwise, erased, of no known
            format, without anything usable in it; or an archive of several logs.
    """
    found = read_all(path, options)
    if len(found) > 1:
        names = ", ".join(PurePath(item.file).name for item in found[:4])
        raise SpeedlogError(
            f"an archive with {len(found)} logs ({names}), where one is needed",
            file=os.fspath(path),
            todo="Unpack it, and name one log.",
        )
    return found[0]


def read_all(path: str | os.PathLike[str], options: ReadOptions = ReadOptions()) -> tuple[Recording, ...]:
    """Read a file, or all logs of a .gz or .zip; what of it is no log is named in a warning of the first.

    Raises:
        SpeedlogError: as `read`; no log is in an archive.
    """
    return tuple(
        replace(item.recording, warnings=(*item.recording.warnings, *item.notes))
        if item.notes
        else item.recording
        for item in open_logs(path, options)
    )


def open_logs(path: str | os.PathLike[str], options: ReadOptions = ReadOptions()) -> tuple[OpenedLog, ...]:
    """The same with the logs' own bytes: for a logbook, which keeps them.

    Raises:
        SpeedlogError: as `read_all`.
    """
    from speedlog.importers.packed import is_packed, open_packed

    whole = load_file(path, options.settings)
    if is_packed(whole.data):
        return open_packed(whole, options)
    return (OpenedLog(whole, read_source(whole, options)),)


def read_source(source: Source, options: ReadOptions) -> Recording:
    """Read a log's bytes by the importer that knows them.

    Raises:
        SpeedlogError: none knows them, or nothing usable is in them.
    """
    _ = source._hashing  # begin now
    recording: Recording = detect(source).read(source, options)
    return recording


def detect(source: Source) -> ModuleType:
    """The importer for this content.

    Raises:
        SpeedlogError: no importer knows it; names those that were tried.
    """
    erased = len(source.data) - len(source.data.lstrip(_ERASED))
    start = (
        erased if erased >= _SECTOR else 0
    )  # a log may follow an erased sector; UTF-16 starts with such bytes
    head = source.data[start : start + HEAD_BYTES]
    from speedlog.importers.others import refuse_other

    for name in _NAMES:
        if name == "delimited":  # takes any text: what is text of a known other kind is told before
            refuse_other(head, source.file)
        importer = _importer(name)
        if importer.sniff(head):
            return importer
    tried = ", ".join(_NAMES)
    raise SpeedlogError(
        f"not a log that can be read (tried {tried})",
        file=source.file,
        todo="A table of any other form needs a header row, or your own mapping (--columns).",
    )


_ERASED = b"\x00\xff"  # what preallocated files and erased flash hold
_SECTOR = 16  # bytes: no text starts with so many
_PACKED = {
    b"\x1f\x8b": "gzip",
    b"PK\x03\x04": "zip",
    b"PK\x05\x06": "zip",
    b"BZh": "bzip2",
    b"\xfd7zXZ\x00": "xz",
    b"7z\xbc\xaf\x27\x1c": "7z",
    b"\x28\xb5\x2f\xfd": "zstd",
    b"Rar!\x1a\x07": "rar",
}


_OPENED = ("gzip", "zip")
_AGAIN = "Copy it from the logger's card once more; if it is the same there, nothing was logged."
_CUT = "Is it a log? NMEA text and tables may be cut between any two lines (a table's header goes before each part)."


def load(path: str | os.PathLike[str], settings: ReadSettings) -> Source:
    """A file's bytes, or those of the one file in a .gz or .zip; only a plain file is ever opened.

    Raises:
        SpeedlogError: see `read`.
    """
    from speedlog.importers.packed import is_packed, only_member

    whole = load_file(path, settings)
    return only_member(whole, settings) if is_packed(whole.data) else whole


def load_file(path: str | os.PathLike[str], settings: ReadSettings) -> Source:
    """A file's bytes as they are, packed or not.

    Raises:
        SpeedlogError: see `read`.
    """
    name = os.fspath(path)
    try:
        found = Path(path).stat()  # follows links; never opens a FIFO or a device
        _check_kind(found, name)
        biggest = int(settings.biggest_file_mb * 1e6)
        if found.st_size > biggest:
            size = found.st_size / 1e6
            raise SpeedlogError(
                f"{size:.0f} MB is over the limit of {settings.biggest_file_mb:.0f} MB", file=name, todo=_CUT
            )
        with Path(path).open("rb") as stream:
            data = stream.read(biggest + 1)  # a file may grow, or lie about its size
    except FileNotFoundError:
        raise SpeedlogError("no such file", file=name) from None
    except PermissionError:
        raise SpeedlogError("not allowed to read it", file=name) from None
    except (OSError, RuntimeError, ValueError) as problem:  # a loop of links, a name no system takes
        reason = problem.strerror if isinstance(problem, OSError) and problem.strerror else str(problem)
        raise SpeedlogError(f"can't be read: {reason}", file=name) from None
    check_content(data, name, settings)
    return Source(name, data)


def _check_kind(found: os.stat_result, name: str) -> None:
    if stat.S_ISDIR(found.st_mode):
        raise SpeedlogError("a folder, not a file", file=name, todo="Name the log files in it.")
    if not stat.S_ISREG(found.st_mode):
        raise SpeedlogError(
            "not a plain file (a pipe or a device)", file=name, todo="Save it as a file first."
        )


def check_content(data: bytes, name: str, settings: ReadSettings, inside: bool = False) -> None:
    """Refuse what can be no log; gzip and zip are opened, but not another one inside.

    Raises:
        SpeedlogError: empty, too big, packed, erased.
    """
    if not data:
        raise SpeedlogError("empty: 0 bytes", file=name, todo=_AGAIN)
    if len(data) > int(settings.biggest_file_mb * 1e6):
        raise SpeedlogError(f"over the limit of {settings.biggest_file_mb:.0f} MB", file=name, todo=_CUT)
    for mark, kind in _PACKED.items():
        if data.startswith(mark) and (inside or kind not in _OPENED):
            raise SpeedlogError(f"compressed ({kind})", file=name, todo="Unpack it first.")
    if not data.lstrip(_ERASED):
        raise SpeedlogError("nothing but erased bytes (0x00 or 0xFF)", file=name, todo=_AGAIN)


def ascii_bytes(data: bytes) -> bytes:
    """The bytes of a text; UTF-16 (marked, or seen by its NUL bytes) is turned into UTF-8.

    The one place for importers that look for ASCII text in bytes.
    """
    for mark, encoding in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if data.startswith(mark) and 0 in data[2:66]:
            return data[2:].decode(encoding, "ignore").encode("utf-8")
    head = data[:_PATTERN_BYTES]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) // 2
    if half and odd > 0.9 * half and even < 0.1 * half:
        return data.decode("utf-16-le", "ignore").encode("utf-8")
    if half and even > 0.9 * half and odd < 0.1 * half:
        return data.decode("utf-16-be", "ignore").encode("utf-8")
    return data


_PATTERN_BYTES = 4096  # enough text to see the pattern
