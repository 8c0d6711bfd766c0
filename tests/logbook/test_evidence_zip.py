"""The zip: the same bytes every time, and hostile ones refused in a line."""

from __future__ import annotations

import hashlib
import io
import stat
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.logbook.evidence_zip import packed, read_zip
from speedlog.settings import LogbookSettings

FILES = {"b/ü.txt": b"two", "a.txt": b"one", "empty": b""}


def test_stored_sorted_and_without_a_date_of_its_own() -> None:
    data = packed(FILES)
    assert data == packed(dict(reversed(FILES.items())))
    with zipfile.ZipFile(io.BytesIO(data)) as zipped:
        infos = zipped.infolist()
        assert zipped.testzip() is None
        assert [info.filename for info in infos] == ["a.txt", "b/ü.txt", "empty"]
        for info in infos:
            assert info.compress_type == zipfile.ZIP_STORED and info.date_time == (1980, 1, 1, 0, 0, 0)
            assert (info.external_attr >> 16, info.create_system) == (stat.S_IFREG | 0o644, 3)
            assert zipped.read(info) == FILES[info.filename]
    # nothing but what APPNOTE.TXT 6.3 asks for: local header 30, central header 46, end 22, names twice
    assert len(data) == sum(30 + 46 + 2 * len(n.encode()) + len(d) for n, d in FILES.items()) + 22


def test_what_was_packed_is_read(tmp_path: Path) -> None:
    path = tmp_path / "claim.zip"
    path.write_bytes(packed(FILES))
    found = read_zip(path)
    assert dict(found.files) == FILES and found.as_made
    assert found.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_bytes_put_in_between_or_behind_are_noticed(tmp_path: Path) -> None:
    path = tmp_path / "claim.zip"
    path.write_bytes(b"MZ" + packed(FILES))
    assert not read_zip(path).as_made
    out = io.BytesIO(packed(FILES))
    with zipfile.ZipFile(out, "a") as zipped:
        zipped.comment = b"hidden"
    path.write_bytes(out.getvalue())
    assert not read_zip(path).as_made


def test_a_flipped_byte_is_a_file_that_cannot_be_had(tmp_path: Path) -> None:
    data = bytearray(packed(FILES))
    data[data.index(b"two")] ^= 1
    path = tmp_path / "claim.zip"
    path.write_bytes(data)
    assert dict(read_zip(path).files) == FILES | {"b/ü.txt": None}


def with_entry(name: str, data: bytes = b"x", **more: object) -> bytes:
    """A zip of one entry whose header says what is asked."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as zipped:
        info = zipfile.ZipInfo("a" * len(name.encode()))
        for key, value in more.items():
            setattr(info, key, value)
        zipped.writestr(info, data)
    return out.getvalue().replace(b"a" * len(name.encode()), name.encode())


def flagged(bit: int) -> bytes:
    data = bytearray(with_entry("secret.txt"))
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(mark) + place] |= bit
    return bytes(data)


def twice() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as zipped:
        zipped.writestr("a.txt", b"x")
        zipped.writestr("A.txt", b"y")
    return out.getvalue()


def bomb() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as zipped:
        zipped.writestr("zeros", bytes(50_000_000))
    return out.getvalue()


def overlapping() -> bytes:
    """Two names in the list for the same bytes: how a small zip holds far more than it has."""
    out = io.BytesIO(packed({"a.txt": b"0" * 1000}))
    with zipfile.ZipFile(out) as zipped:
        one = zipped.infolist()[0]
    data = out.getvalue()
    start = data.index(b"PK\x01\x02")
    entry = data[start : data.index(b"PK\x05\x06")]
    entries = [entry.replace(b"a.txt", f"{k}.txt".encode()) for k in "abcdefgh"]
    end = bytearray(data[data.index(b"PK\x05\x06") :])
    end[8:10] = end[10:12] = len(entries).to_bytes(2, "little")
    end[12:16] = sum(map(len, entries)).to_bytes(4, "little")
    assert one.file_size == 1000
    return data[:start] + b"".join(entries) + bytes(end)


LINK = (stat.S_IFLNK | 0o777) << 16


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: with_entry("../../evil"), "leads out of its folder"),
        (lambda: with_entry("a/./b"), "leads out of its folder"),
        (lambda: with_entry("/etc/passwd"), "is no name of a file"),
        (lambda: with_entry("C:\\evil.exe"), "is no name of a file"),
        (lambda: with_entry("a\\..\\b"), "is no name of a file"),
        (lambda: with_entry("a\x1b[2Jb"), "is no name of a file"),
        (lambda: with_entry("a\x00b"), "is no name of a file"),
        (lambda: packed({"cod\u202exslx.exe": b"x"}), "is no name of a file"),
        (lambda: with_entry("n" * 301), "is no name of a file"),
        (lambda: with_entry("link", b"/etc/passwd", external_attr=LINK), "is no file but a link or a folder"),
        (lambda: with_entry("folder/", b""), "is no file but a link or a folder"),
        (lambda: flagged(1), "is encrypted"),
        (twice, "is in it twice"),
        (bomb, "is packed"),
        (overlapping, "would be larger than the zip itself"),
        (lambda: b"", "no zip that can be read"),
        (lambda: b"PK\x03\x04 nothing more", "no zip that can be read"),
        (lambda: packed(FILES)[:-30], "no zip that can be read"),
    ],
)  # fmt: skip
def test_hostile_zips_are_refused_in_a_line(make: Callable[[], bytes], said: str, tmp_path: Path) -> None:
    path = tmp_path / "claim.zip"
    path.write_bytes(make())
    with pytest.raises(SpeedlogError) as caught:
        read_zip(path)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value) and "\x1b" not in str(caught.value)


def test_sizes_on_both_sides_of_their_limits(tmp_path: Path) -> None:
    path = tmp_path / "claim.zip"
    path.write_bytes(packed(FILES))
    size = path.stat().st_size
    limits = LogbookSettings(evidence_biggest_mb=size / 1e6, evidence_most_files=3)
    assert read_zip(path, limits).as_made
    with pytest.raises(SpeedlogError, match="over the limit"):
        read_zip(path, replace(limits, evidence_biggest_mb=(size - 1) / 1e6))
    with pytest.raises(SpeedlogError, match="3 files in it"):
        read_zip(path, replace(limits, evidence_most_files=2))
    with pytest.raises(SpeedlogError, match="no such file"):
        read_zip(tmp_path)


@given(data=st.data())
def test_a_broken_zip_is_read_or_refused_and_never_anything_else(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    whole = bytearray(packed(FILES))
    for _ in range(data.draw(st.integers(1, 4))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.mktemp("broken") / "claim.zip"
    path.write_bytes(whole[: data.draw(st.integers(0, len(whole)))] if data.draw(st.booleans()) else whole)
    try:
        found = read_zip(path)
    except SpeedlogError:
        return
    whole_files = {name: content for name, content in found.files.items() if content is not None}
    assert found.as_made == (
        path.read_bytes() == packed(whole_files) and len(whole_files) == len(found.files)
    )
