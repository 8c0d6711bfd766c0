"""Files dropped by mistake are named for what they are; no log is taken for one of them."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest

from speedlog.errors import SpeedlogError
from speedlog.importers import HEAD_BYTES, read
from speedlog.importers.others import OTHERS
from tests.fuzz.seeds import seeds
from tests.importers.nmea_text import log_of

# the first bytes of each, by its own specification
WRONG = {
    b"<!DOCTYPE html>\n<html><body>Please log in</body></html>": "a web page, not a log. Was it a download",
    b"\xef\xbb\xbf <HTML lang='en'>": "a web page, not a log",
    b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n": "a PDF document, not a log. Export it",
    b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR": "a picture, not a log. Choose the log",
    b"\xff\xd8\xff\xe0\0\x10JFIF": "a picture, not a log",
    b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600): "an old office document, not a log. Save the sheet as CSV",
    b'<?xml version="1.0"?>\n<kml xmlns="http://www.opengis.net/kml/2.2">': "a map overlay (KML), which",
    b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg"/>': "XML of another kind than GPX, not",
    b'{"samples": [1, 2]}': "JSON, which has no form of its own for logs, not a log",
    b"\xb5\x62\x01\x07\x5c\x00" + bytes(92): "a receiver's binary messages, not a log. Log NMEA text",
    b"SQLite format 3\0" + bytes(100): "a database, not a log",
}  # fmt: skip


@pytest.mark.parametrize(("data", "said"), WRONG.items(), ids=lambda item: str(item)[:24])
def test_each_is_named_and_something_can_be_done(data: bytes, said: str, tmp_path: Path) -> None:
    (tmp_path / "log").write_bytes(data)
    with pytest.raises(SpeedlogError) as problem:
        read(tmp_path / "log")
    text = str(problem.value).removeprefix(f"{tmp_path / 'log'}: ")
    assert text.startswith(said) and problem.value.todo and "\n" not in text


def test_a_spreadsheet_is_no_archive_of_logs(tmp_path: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:  # ISO/IEC 29500-2: every such package has this part
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/worksheets/sheet1.xml", "<worksheet/>")
    (tmp_path / "day.xlsx").write_bytes(out.getvalue())
    with pytest.raises(SpeedlogError, match=r"an office document, not a log\. Save the sheet as CSV"):
        read(tmp_path / "day.xlsx")


@pytest.mark.parametrize("name", ["nmea", "gpx", "delimited"])
def test_no_log_is_taken_for_one(name: str) -> None:
    found = seeds(name)
    assert len(found) > 5
    for data in found:
        if b"\n" in data and data[:1] != b"\xff":
            assert not any(other.mark.match(data[:HEAD_BYTES]) for other in OTHERS if name != "gpx"), data[
                :60
            ]


def test_refusals_name_the_line_and_what_to_do(tmp_path: Path) -> None:
    cases = {
        b"$GPGGA,120000.00,,,,,0,,,,M,,M,,*FF\r\n$GPRMC,1*00\r\n": ("line 1", "Copy the log again"),
        log_of("GPGSV,1,1,02,01,40,083,46,02,17,308,") * 5: ("GNS, GLL)", "RMC or GGA too"),
        b"<gpx><trk>\n<a></b></trk></gpx>": ("line 2", "Export it once more"),
        b"<gpx></gpx>": ("without track points", "not a route or waypoints"),
    }
    for data, parts in cases.items():
        (tmp_path / "log").write_bytes(data)
        with pytest.raises(SpeedlogError) as problem:
            read(tmp_path / "log")
        for part in parts:
            assert part in str(problem.value)
