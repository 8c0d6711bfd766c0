"""The evidence's zip: the same bytes every time it is made, and read as a stranger's file.

Nothing is ever unpacked to the disk: names in the zip are compared and shown, never opened.
"""

from __future__ import annotations

import hashlib
import io
import re
import stat
import struct
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from speedlog.errors import SpeedlogError, plain
from speedlog.settings import LogbookSettings

_SETTINGS = LogbookSettings()
_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest that a zip can say: it says nothing
_MODE = stat.S_IFREG | 0o644
_UNIX = 3  # the system that a zip names as its maker; otherwise it would tell on which one it was made
_PART = re.compile(r'[^\x00-\x1f\x7f-\x9f<>:"/\\|?*\u2028-\u202e\u2066-\u2069]+')
_REPACKED = (
    "Check the zip as it was made; one that was unpacked and packed again by another program is another file."
)


@dataclass(frozen=True)
class Contents:
    """What a zip holds.

    Attributes:
        files: by name; None where the bytes can't be had, or don't fit the zip's own checksum.
        as_made: byte for byte the zip that speedlog makes of these files.
        sha256: of the zip itself.
    """

    files: Mapping[str, bytes | None]
    as_made: bool
    sha256: str


def packed(files: Mapping[str, bytes]) -> bytes:
    """A zip of files: stored as they are, in the order of their names, with one date and one mode for all."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as made:
        for name in sorted(files):
            info = zipfile.ZipInfo(name, _DATE)
            info.external_attr = _MODE << 16
            info.create_system = _UNIX
            made.writestr(info, files[name])
    return out.getvalue()


def read_zip(path: Path, settings: LogbookSettings = _SETTINGS) -> Contents:
    """Read a zip into memory.

    Raises:
        SpeedlogError: no zip; or one that evidence never is: too big, with too many files, packed, encrypted, with
            names twice, absolute, leading out of their folder or not to be shown, with links or folders.
    """
    data = _bytes(path, settings)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as zipped:
            infos = zipped.infolist()
            _check(infos, len(data), path, settings)
            files = {info.filename: _content(zipped, info) for info in infos}
    except (
        zipfile.BadZipFile,
        struct.error,
        NotImplementedError,
        ValueError,
        OverflowError,
        EOFError,
    ) as error:
        raise SpeedlogError(
            f"no zip that can be read ({plain(error, 80)})",
            file=path,
            todo="Get it once more from its maker.",
        ) from None
    whole = {name: content for name, content in files.items() if content is not None}
    as_made = len(whole) == len(files) and packed(whole) == data
    return Contents(files, as_made, hashlib.sha256(data).hexdigest())


def _bytes(path: Path, settings: LogbookSettings) -> bytes:
    biggest = int(settings.evidence_biggest_mb * 1e6)
    try:
        if not path.is_file():
            raise SpeedlogError("no such file", file=path, todo="Check the name.")
        with path.open("rb") as file:
            data = file.read(biggest + 1)
    except OSError as error:
        raise SpeedlogError(f"can't be read ({error.strerror})", file=path, todo="Check the file.") from None
    if len(data) > biggest:
        raise SpeedlogError(
            f"over the limit of {settings.evidence_biggest_mb:.0f} MB for evidence", file=path,
            todo="Is it the right file?",
        )  # fmt: skip
    return data


def _check(infos: list[zipfile.ZipInfo], size: int, path: Path, settings: LogbookSettings) -> None:
    if len(infos) > settings.evidence_most_files:
        raise SpeedlogError(
            f"{len(infos)} files in it: that is no evidence of a pass", file=path, todo=_REPACKED
        )
    seen: set[str] = set()
    for info in infos:
        why = _unfit(info) or ("is in it twice" if info.filename.casefold() in seen else None)
        if why:
            raise SpeedlogError(f'"{plain(info.filename)}" {why}', file=path, todo=_REPACKED)
        seen.add(info.filename.casefold())
    if sum(info.file_size for info in infos) > size:
        raise SpeedlogError("its files would be larger than the zip itself", file=path, todo=_REPACKED)


def _unfit(info: zipfile.ZipInfo) -> str | None:
    """Why an entry is none of evidence."""
    mode = info.external_attr >> 16
    parts = info.filename.split("/")
    if info.is_dir() or stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        return "is no file but a link or a folder"
    if (
        info.filename != info.orig_filename
        or len(info.filename) > 300
        or not all(map(_PART.fullmatch, parts))
    ):
        return "is no name of a file"
    if any(part in (".", "..") or part != part.strip() for part in parts):
        return "leads out of its folder"
    if info.flag_bits & 0x1:
        return "is encrypted"
    if info.compress_type != zipfile.ZIP_STORED or info.compress_size != info.file_size:
        return "is packed; evidence is stored as it is"
    return None


def _content(zipped: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes | None:
    try:
        return zipped.read(info)
    except (zipfile.BadZipFile, EOFError, struct.error):  # its checksum, or its own header, says otherwise
        return None
