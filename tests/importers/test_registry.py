"""Finding the importer by content, and every file that is none."""

from __future__ import annotations

import bz2
import hashlib
import os
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.importers import (
    HEAD_BYTES,
    ReadOptions,
    Source,
    ascii_bytes,
    detect,
    importers,
    read,
)
from speedlog.settings import ReadSettings
from tests.importers.nmea_text import clean_log

SHARED = Path(__file__).parents[2].parent / "shared"
NMEA = clean_log()
GPX = b"""<?xml version="1.0"?><gpx version="1.1"><trk><trkseg>
<trkpt lat="53.1" lon="-1.2"><time>2024-06-15T13:45:30Z</time></trkpt></trkseg></trk></gpx>"""
CSV = b"time,lat,lon,speed (km/h)\n" + b"".join(
    b"2024-06-15T13:45:%02dZ,53.1%04d,-1.2,36.0\n" % (at, at) for at in range(20)
)
SAMPLES = {"nmea": NMEA, "gpx": GPX, "delimited": CSV}
POSIX_ONLY = pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX file system")


def refusal(path: Path, **changed: float) -> str:
    with pytest.raises(SpeedlogError) as caught:
        read(path, ReadOptions(settings=ReadSettings(**changed)))
    text = str(caught.value)
    assert "\n" not in text and str(path) in text
    return text.removeprefix(f"{path}: ")


def test_every_importer_has_its_three_names_and_a_sample() -> None:
    assert [importer.NAME for importer in importers()] == list(SAMPLES)
    for importer in importers():
        assert callable(importer.sniff) and callable(importer.read)


@pytest.mark.parametrize("name", list(SAMPLES))
def test_each_sniff_over_every_formats_sample(name: str) -> None:
    for importer in importers():
        taken = importer.sniff(SAMPLES[name][:HEAD_BYTES])
        own = name == importer.NAME
        if importer.NAME == "delimited":  # the last in the list may look at any text
            assert taken or not own
        else:
            assert taken == own
    found = detect(Source("x", SAMPLES[name]))
    assert name == found.NAME


@pytest.mark.parametrize("data", [b"", b"\x00", b"\xff" * 100, b"\x00\xff" * 500, bytes(range(256)) * 20])
def test_no_sniff_takes_or_stumbles_over_empty_and_binary(data: bytes) -> None:
    assert not any(importer.sniff(data) for importer in importers())


@pytest.mark.parametrize("name", list(SAMPLES))
def test_no_sniff_stumbles_over_a_cut_sample(name: str) -> None:
    for cut in range(0, len(SAMPLES[name]), 7):
        for importer in importers():
            assert importer.sniff(SAMPLES[name][:cut]) in (True, False)


@given(st.binary(max_size=400))
@settings(max_examples=100, deadline=None)
def test_no_sniff_raises(data: bytes) -> None:
    for importer in importers():
        assert importer.sniff(data) in (True, False)


@pytest.mark.parametrize("name", list(SAMPLES))
def test_content_decides_and_not_the_name(name: str, tmp_path: Path) -> None:
    path = tmp_path / "log.dat"
    path.write_bytes(SAMPLES[name])
    found = read(path)
    assert found.format == name and found.file == str(path)
    assert found.sha256 == hashlib.sha256(SAMPLES[name]).hexdigest()


def test_a_log_behind_an_erased_sector_is_found(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"\xff" * 200_000 + NMEA + b"\x00" * 4096)
    assert len(read(path).samples) == 20


def test_missing_folder_and_empty(tmp_path: Path) -> None:
    assert refusal(tmp_path / "none.nmea") == "no such file"
    assert refusal(tmp_path) == "a folder, not a file. Name the log files in it."
    (tmp_path / "empty").write_bytes(b"")
    assert refusal(tmp_path / "empty").startswith("empty: 0 bytes. Copy it from the logger's card once more")


@POSIX_ONLY
def test_links_in_a_loop_pipes_and_devices_are_never_opened(tmp_path: Path) -> None:
    loop, pipe = tmp_path / "loop", tmp_path / "pipe"
    loop.symlink_to(loop)
    os.mkfifo(pipe)  # opening it to read would block for ever
    assert refusal(loop).startswith("can't be read: ")
    assert refusal(pipe) == "not a plain file (a pipe or a device). Save it as a file first."
    assert refusal(Path("/dev/zero")) == "not a plain file (a pipe or a device). Save it as a file first."


@POSIX_ONLY
def test_unreadable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log"
    path.write_bytes(NMEA)

    def denied(self: Path, *_: object) -> None:  # root may read anything, so the system's answer is played
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", denied)
    assert refusal(path) == "not allowed to read it"


def test_size_limit_on_both_sides(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(NMEA)
    exact = len(NMEA) / 1e6
    assert len(read(path, ReadOptions(settings=ReadSettings(biggest_file_mb=exact))).samples) == 20
    assert "over the limit" in refusal(path, biggest_file_mb=(len(NMEA) - 1) / 1e6)


def test_other_compressed_files_are_named_as_such(tmp_path: Path) -> None:
    (tmp_path / "log.nmea").write_bytes(bz2.compress(NMEA))
    assert refusal(tmp_path / "log.nmea") == "compressed (bzip2). Unpack it first."


@pytest.mark.parametrize("data", [b"\x00" * 4096, b"\xff" * 4096, b"\x00\xff" * 9])
def test_erased_files(data: bytes, tmp_path: Path) -> None:
    (tmp_path / "log").write_bytes(data)
    assert refusal(tmp_path / "log").startswith("nothing but erased bytes (0x00 or 0xFF). Copy it")


def test_unknown_content_names_what_was_tried(tmp_path: Path) -> None:
    (tmp_path / "log").write_bytes(b"\xb5\x63\x01\x07" + bytes(range(256)) * 8)
    assert refusal(tmp_path / "log").startswith("not a log that can be read (tried nmea, gpx, delimited)")


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_utf16_is_seen_by_its_mark_or_its_nul_bytes(encoding: str) -> None:
    text = NMEA.decode("ascii")
    assert ascii_bytes(text.encode(encoding)) == NMEA
    assert ascii_bytes(("\ufeff" + text).encode(encoding)) == NMEA
    assert ascii_bytes(text.encode(encoding)[:-1]) == NMEA[:-1]  # cut inside a character


def test_other_bytes_are_left_alone() -> None:
    for data in (NMEA, NMEA + b"\x00" * 10_000, b"\xff\xfe\xb5\x62", b"", b"\x00"):
        assert ascii_bytes(data) == data
