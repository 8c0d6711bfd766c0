"""Packed logs: read like the log itself; whatever an archive may hide is refused in one line."""

from __future__ import annotations

import gzip
import io
import zipfile
from pathlib import Path

import pandas as pd
import pytest

from speedlog.errors import SpeedlogError
from speedlog.importers import load_all, read
from speedlog.importers.packed import unpack
from speedlog.settings import ReadSettings
from tests.importers.nmea_text import clean_log

LOG = clean_log()
SETTINGS = ReadSettings()


def zipped(*members: tuple[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in members:
            archive.writestr(name, data)
    return out.getvalue()


def refusal(data: bytes, settings: ReadSettings = SETTINGS) -> str:
    with pytest.raises(SpeedlogError) as problem:
        unpack(data, "log.zip", settings)
    assert "\n" not in str(problem.value)
    return str(problem.value)


@pytest.mark.parametrize(
    "data",
    [
        gzip.compress(LOG),
        gzip.compress(LOG[:500]) + gzip.compress(LOG[500:]) + b"\0" * 9,
        zipped(("a.nmea", LOG)),
        zipped(("../../etc/a.nmea", LOG), method=zipfile.ZIP_STORED),
        zipped(("day/", b""), ("__MACOSX/._a.nmea", b"x"), ("day/.hidden", b"x"), ("day/a.nmea", LOG)),
    ],
)
def test_a_packed_log_reads_like_the_log(data: bytes, tmp_path: Path) -> None:
    (tmp_path / "packed").write_bytes(data)
    (tmp_path / "plain").write_bytes(LOG)
    found, plain = read(tmp_path / "packed"), read(tmp_path / "plain")
    pd.testing.assert_frame_equal(found.samples, plain.samples, check_exact=True)
    assert found.sha256 == plain.sha256
    assert sorted(path.name for path in tmp_path.iterdir()) == ["packed", "plain"]  # nothing is written


def test_several_logs_are_told_apart_and_notes_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "day.zip"
    path.write_bytes(zipped(("1.nmea", LOG), ("readme", b"\x01\x02"), ("2.nmea", LOG[:700])))
    assert [source.file for source in load_all(path, SETTINGS)] == [f"{path} [1]", f"{path} [3]"]
    with pytest.raises(SpeedlogError, match="an archive with 2 logs"):
        read(path)


def test_sizes_on_both_sides() -> None:
    exact = ReadSettings(biggest_file_mb=len(LOG) / 1e6)
    less = ReadSettings(biggest_file_mb=(len(LOG) - 1) / 1e6)
    for data in (gzip.compress(LOG), zipped(("a", LOG))):
        assert unpack(data, "a", exact) == [LOG]
        assert "over the limit" in refusal(data, less)
    two = zipped(("a", LOG), ("b", LOG))
    assert len(unpack(two, "a", ReadSettings(most_packed_files=2))) == 2
    assert "2 files" in refusal(two, ReadSettings(most_packed_files=1))


def test_a_bomb_is_refused_by_its_ratio() -> None:
    bomb = bytes(4_000_000)
    for data in (gzip.compress(bomb), zipped(("a", bomb))):
        assert "100 times" in refusal(data)
        assert unpack(data, "a", ReadSettings(most_unpacked_ratio=1000.0)) == [bomb]


def test_nested_encrypted_damaged_and_empty_ones_are_refused(tmp_path: Path) -> None:
    nested = tmp_path / "nested.gz"
    nested.write_bytes(gzip.compress(zipped(("a", LOG))))
    with pytest.raises(SpeedlogError, match=r"compressed \(zip\)"):
        read(nested)
    locked = bytearray(zipped(("a", LOG)))
    locked[6] |= 1  # general purpose bit 0 of both headers: APPNOTE.TXT 4.4.4
    locked[locked.rfind(b"PK\x01\x02") + 8] |= 1
    assert "encrypted" in refusal(bytes(locked))
    assert "without files" in refusal(zipped())
    broken = bytearray(gzip.compress(LOG))
    broken[-8] ^= 1  # the CRC
    for data in (
        bytes(broken),
        gzip.compress(LOG)[:-20],
        zipped(("a", LOG))[:-30],
        b"PK\x03\x04",
        b"\x1f\x8b",
    ):
        assert "damaged or cut-off" in refusal(data)
