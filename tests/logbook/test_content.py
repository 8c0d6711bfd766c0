"""Bytes in, the same bytes out."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.logbook import content
from speedlog.logbook.store import Logbook


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(parts=st.lists(st.binary(min_size=1, max_size=30), min_size=1, max_size=6), order=st.randoms())
def test_any_files_in_any_order_come_out_bit_for_bit(
    empty: Logbook, parts: list[bytes], order: object
) -> None:
    """Files that grow, in any order of adding."""
    files = [b"".join(parts[: n + 1]) for n in range(len(parts))]
    order.shuffle(files)  # type: ignore[attr-defined]
    with empty.writing("a test"):
        ids = [content.put(empty, data) for data in files]
    assert [content.get(empty, place) for place in ids] == files
    with empty.writing("a test"):
        assert [content.put(empty, data) for data in files] == ids


def test_a_file_that_grows_is_kept_once(empty: Logbook) -> None:
    begun, whole = b"a,b\n1,2\n" * 50, b"a,b\n1,2\n" * 200
    with empty.writing("a test"):
        first = content.put(empty, begun)
        second = content.put(empty, whole)
    row = empty.row("SELECT begins, packed FROM content WHERE id = ?", (first,))
    assert row is not None and (row["begins"], row["packed"]) == (second, None)
    assert content.get(empty, first) == begun
    assert content.beginnings(empty, whole + b"more") == [second, first]


def test_damaged_bytes_are_told(empty: Logbook) -> None:
    with empty.writing("a test"):
        place = content.put(empty, b"some bytes of a log\n" * 20)
        packed = empty.row("SELECT packed FROM content WHERE id = ?", (place,))["packed"]  # type: ignore[index]
        for wrong in (
            packed[:-9],
            packed[:40] + bytes([packed[40] ^ 1]) + packed[41:],
            content.pack(b"other")[1],
        ):
            empty.run("UPDATE content SET packed = ? WHERE id = ?", (wrong, place))
            with pytest.raises(SpeedlogError, match="damaged"):
                content.get(empty, place)


def test_the_hash_is_sha256_of_the_bytes(empty: Logbook) -> None:
    """hashlib, independent of the store."""
    with empty.writing("a test"):
        place = content.put(empty, b"abc")
    row = empty.row("SELECT sha256, size FROM content WHERE id = ?", (place,))
    assert row is not None and tuple(row) == (hashlib.sha256(b"abc").hexdigest(), 3)
    assert content.find(empty, row["sha256"]) == place and content.find(empty, "0" * 64) is None
