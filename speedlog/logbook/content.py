"""The bytes of files, each kept once, packed; what another kept file begins with is not kept twice."""

from __future__ import annotations

import hashlib
import lzma
import zlib

from speedlog.errors import SpeedlogError
from speedlog.logbook.store import Logbook
from speedlog.logbook.trouble import RESTORE
from speedlog.settings import LogbookSettings, ReadSettings

_HEAD_BYTES = 1024  # as in the schema: a log's header and its first rows


def sha256_of(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def find(book: Logbook, sha256: str) -> int | None:
    """The id of bytes that are kept already."""
    found = book.row("SELECT id FROM content WHERE sha256 = ?", (sha256,))
    return None if found is None else int(found["id"])


def put(book: Logbook, data: bytes) -> int:
    """Keep bytes, inside `writing`; the same bytes twice are one. Returns the id.

    Kept bytes with which these begin are from now on read from these, and these from longer kept ones.
    """
    digest = sha256_of(data)
    known = find(book, digest)
    if known is not None:
        return known
    holder = going_on(book, data)
    packing, packed = pack(data) if holder is None else (None, None)
    made = book.run(
        "INSERT INTO content (sha256, size, packing, packed, begins, head) VALUES (?, ?, ?, ?, ?, ?)",
        (digest, len(data), packing, packed, holder, _head(data)),
    )
    for part in beginnings(book, data) if holder is None else ():
        book.run(
            "UPDATE content SET packing = NULL, packed = NULL, begins = ? WHERE id = ? AND begins IS NULL",
            (made, part),
        )
    return made


def get(book: Logbook, content_id: int) -> bytes:
    """Kept bytes, checked against their hash.

    Raises:
        SpeedlogError: they are damaged.
    """
    wanted = book.row("SELECT sha256, size FROM content WHERE id = ?", (content_id,))
    if wanted is None:
        raise SpeedlogError(f"bytes number {content_id} are not in it", file=book.path, todo=RESTORE)
    place, seen = content_id, {content_id}
    while True:
        row = book.row("SELECT packing, packed, size, begins FROM content WHERE id = ?", (place,))
        if row is None or row["begins"] in seen:
            raise _damaged(book, wanted["sha256"])
        if row["begins"] is None:
            break
        place = int(row["begins"])
        seen.add(place)
    try:
        data = unpack(row["packing"], row["packed"], row["size"])[: wanted["size"]]
    except (lzma.LZMAError, zlib.error, EOFError):
        raise _damaged(book, wanted["sha256"]) from None
    if sha256_of(data) != wanted["sha256"]:
        raise _damaged(book, wanted["sha256"])
    return data


def beginnings(book: Logbook, data: bytes) -> list[int]:
    """Ids of shorter kept bytes with which `data` begins, by their hashes alone, the longest first."""
    found: list[int] = []
    rows = book.rows("SELECT size, sha256, id FROM content WHERE size < ? ORDER BY size", (len(data),))
    digest, done = hashlib.sha256(), 0
    for row in rows:
        digest.update(memoryview(data)[done : row["size"]])
        done = int(row["size"])
        if done and digest.hexdigest() == row["sha256"]:
            found.append(int(row["id"]))
    return found[::-1]


def going_on(book: Logbook, data: bytes) -> int | None:
    """The id of the shortest longer kept bytes that begin with `data`; only those of the same head are read."""
    head = _head(data)
    if head is None:
        return None
    rows = book.rows(
        "SELECT id FROM content WHERE (head = ? OR head IS NULL) AND size > ? ORDER BY size",
        (head, len(data)),
    )
    return next((int(row["id"]) for row in rows if get(book, int(row["id"])).startswith(data)), None)


def pack(data: bytes) -> tuple[str, bytes]:
    """How bytes are packed, and the packed bytes."""
    if len(data) <= LogbookSettings().lzma_up_to_mb * 1e6:
        return "lzma", lzma.compress(data)
    return "zlib", zlib.compress(data, 6)


def unpack(packing: str, packed: bytes, size: int) -> bytes:
    """Packed bytes as they were. No more is ever made of them than they claim: they may come from a stranger's file.

    Raises:
        EOFError: they are not `size` bytes, or more than any log may have.
    """
    if size > ReadSettings().biggest_file_mb * 1e6:
        raise EOFError
    unpacking = lzma.LZMADecompressor() if packing == "lzma" else zlib.decompressobj()
    data = unpacking.decompress(packed, size + 1)
    if len(data) != size or not unpacking.eof:
        raise EOFError
    return data


def _head(data: bytes) -> str | None:
    return sha256_of(data[:_HEAD_BYTES]) if len(data) >= _HEAD_BYTES else None


def _damaged(book: Logbook, digest: str) -> SpeedlogError:
    return SpeedlogError(f"the bytes of {digest[:12]}… are damaged", file=book.path, todo=RESTORE)
