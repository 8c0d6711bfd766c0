"""Packed logs: read like the log itself; whatever an archive may hide is refused in one line."""

from __future__ import annotations

import gzip
import hashlib
import io
import zipfile
from pathlib import Path

import pandas as pd
import pytest

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, load, open_logs, read, read_all
from speedlog.importers.packed import Member, unpack
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
    assert found.sha256 == plain.sha256 == hashlib.sha256(LOG).hexdigest()
    assert found.warnings[-1].endswith("the sha256 is the log's own, not the packed file's")
    assert not any("passed over" in text for text in found.warnings)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["packed", "plain"]  # nothing is written


def test_several_logs_are_told_apart_and_what_is_none_is_named(tmp_path: Path) -> None:
    path = tmp_path / "day.zip"
    cut = LOG[:700]
    path.write_bytes(
        zipped(("1.nmea", LOG), ("sub/readme", b"\x01\x02"), ("2.nmea", cut), ("none.csv", b"a,b\n1,2\n"))
    )
    found = open_logs(path)
    assert [item.source.file for item in found] == [f"{path}/1.nmea", f"{path}/2.nmea"]
    assert [item.source.name for item in found] == ["1.nmea", "2.nmea"]
    assert [item.source.data for item in found] == [LOG, cut]
    assert [item.recording.sha256 for item in found] == [
        hashlib.sha256(log).hexdigest() for log in (LOG, cut)
    ]
    first, second = read_all(path)
    (said,) = [text for text in first.warnings if "passed over" in text]
    assert (
        said.startswith("2 files in day.zip passed over, being no log: readme: not a log")
        and "none.csv: " in said
    )
    assert "2 logs read out of day.zip (zip)" in " ".join(first.warnings)
    assert not any("passed over" in text or "read out" in text for text in second.warnings)
    with pytest.raises(SpeedlogError, match=r"an archive with 2 logs \(1.nmea, 2.nmea\)"):
        read(path)


def test_an_archive_of_other_files_is_refused_by_its_first(tmp_path: Path) -> None:
    path = tmp_path / "day.zip"
    path.write_bytes(zipped(("photo.jpg", b"\xff\xd8\xff\xe0" * 9), ("empty.nmea", b"")))
    with pytest.raises(
        SpeedlogError,
        match=r"day\.zip: an archive of 2 files, none of them a log \(photo.jpg: a picture, not a log",
    ):
        read_all(path)


def test_names_from_an_archive_are_plain_and_told_apart() -> None:
    paths = [
        "p1/gps.nmea",
        "p2/GPS.nmea",
        "../../etc/passwd",
        "C:\\x\\con<>|.csv",
        "a\x1b[31m.csv",
        " .. / ",
        "x" * 300,
    ]
    names = [member.name for member in unpack(zipped(*((path, b"x") for path in paths)), "a", SETTINGS)]
    assert names == ["p1_gps.nmea", "p2_GPS.nmea", "passwd", "con___.csv", "a__31m.csv", "log", "x" * 80]
    twice = zipped(("a/b", b"x"), ("a_b", b"x"), ("c/a/b", b"x"), ("d/a_b", b"x"))
    names = [member.name for member in unpack(twice, "a", SETTINGS)]
    assert len({name.casefold() for name in names}) == 4 and not any("/" in name for name in names)


def test_a_log_of_its_own_is_named_without_its_packing(tmp_path: Path) -> None:
    for name, data, own in (
        ("run.nmea.gz", gzip.compress(LOG), "run.nmea"),
        ("run.GZ", gzip.compress(LOG), "run"),
        ("run.nmea", gzip.compress(LOG), "run.nmea"),
        ("one.zip", zipped(("day/own.nmea", LOG)), "own.nmea"),
    ):
        (tmp_path / name).write_bytes(data)
        (opened,) = open_logs(tmp_path / name)
        assert (opened.source.name, opened.source.file) == (own, str(tmp_path / name))


def test_the_only_file_of_an_archive_need_be_no_log(tmp_path: Path) -> None:
    path = tmp_path / "times.csv.gz"
    path.write_bytes(gzip.compress(b"pass,mph\n1,180\n"))
    assert load(path, SETTINGS).data == b"pass,mph\n1,180\n"
    path.write_bytes(zipped(("a", b"x"), ("b", b"x")))
    with pytest.raises(SpeedlogError, match="2 files, where one is needed"):
        load(path, SETTINGS)


def test_a_mistake_in_the_mapping_is_told_and_not_laid_on_the_logs(tmp_path: Path) -> None:
    (tmp_path / "map.toml").write_text("[columns]\nnonsense = 1\n", "utf-8")
    table = b"UTC Time,Speed (m/s)\n2026-07-12T10:00:00Z,1\n"
    (tmp_path / "day.zip").write_bytes(zipped(("a.csv", table), ("b.csv", table)))
    with pytest.raises(SpeedlogError, match=r"map\.toml"):
        read_all(tmp_path / "day.zip", ReadOptions(columns=tmp_path / "map.toml"))


def test_very_many_gzip_members_cost_no_more_than_their_bytes() -> None:
    """Each step must not copy the rest: 100,000 members of 20 bytes would then move 100 GB."""
    many = gzip.compress(b"") * 100_000
    assert unpack(many + gzip.compress(LOG), "a", SETTINGS) == [Member("a", LOG)]


def test_sizes_on_both_sides() -> None:
    exact = ReadSettings(biggest_file_mb=len(LOG) / 1e6)
    less = ReadSettings(biggest_file_mb=(len(LOG) - 1) / 1e6)
    for data in (gzip.compress(LOG), zipped(("a", LOG))):
        assert unpack(data, "a", exact) == [Member("a", LOG)]
        assert "over the limit" in refusal(data, less)
    two = zipped(("a", LOG), ("b", LOG))
    assert len(unpack(two, "a", ReadSettings(most_packed_files=2))) == 2
    assert "2 files" in refusal(two, ReadSettings(most_packed_files=1))


def test_a_bomb_is_refused_by_its_ratio() -> None:
    bomb = bytes(4_000_000)
    for data in (gzip.compress(bomb), zipped(("a", bomb))):
        assert "100 times" in refusal(data)
        assert unpack(data, "a", ReadSettings(most_unpacked_ratio=1000.0)) == [Member("a", bomb)]


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


def test_a_member_without_a_name_is_a_log_all_the_same(tmp_path: Path) -> None:
    """Found by fuzzing: the library's own question whether it is a folder fails on it."""
    named = zipped(("x", LOG), method=zipfile.ZIP_STORED)
    entry = zipfile.ZipInfo("")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(entry, LOG)
    assert unpack(named, "a", SETTINGS)[0].data == unpack(out.getvalue(), "a", SETTINGS)[0].data == LOG
    assert unpack(out.getvalue(), "a", SETTINGS)[0].name == "log"
