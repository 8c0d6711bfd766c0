"""What fuzzing begins with: the sample meeting's logs, the edge cases beside the checkout, inputs found before."""

from __future__ import annotations

import gzip
import io
import zipfile
from pathlib import Path

from speedlog.importers import gpx, nmea
from tests.importers.nmea_text import clean_log

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_data"
EDGE = ROOT.parent / "shared" / "edge" / "files"
FOUND = Path(__file__).parent / "found"
LONGEST = 2048  # bytes: a seed's worth lies in its form, and long ones are slow


def seeds(name: str) -> list[bytes]:
    """The seeds of an importer, each at most `LONGEST` bytes unpacked."""
    if name == "packed":
        return _packed()
    paths = sorted(
        path for folder in (SAMPLE, EDGE) if folder.is_dir() for path in folder.iterdir() if path.is_file()
    )
    found = [
        _short(path.read_bytes())
        for path in paths
        if not path.name.endswith((".gz", ".toml", ".json", ".md"))
    ]
    found = [data for data in found if _kind(data) == name]
    if name == "nmea":
        found.append(clean_log())
    return [*found, *found_inputs(name)]


def found_inputs(name: str) -> list[bytes]:
    """Inputs that fuzzing found once and that are put right: kept as tests."""
    folder = FOUND / name
    return [path.read_bytes() for path in sorted(folder.iterdir())] if folder.is_dir() else []


def _kind(data: bytes) -> str:
    for importer in (nmea, gpx):
        if importer.sniff(data):
            return importer.NAME
    return "delimited"


def _short(data: bytes) -> bytes:
    """The beginning, whole lines; the end of a GPX document is of no weight, since it is repaired."""
    return data if len(data) <= LONGEST else data[: data.rfind(b"\n", 0, LONGEST) + 1]


def _packed() -> list[bytes]:
    logs = [
        _short((SAMPLE / name).read_bytes())
        for name in ("p01_front.nmea", "p01_rear.csv", "p07_borrowed.gpx")
    ]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for number, data in enumerate([*logs, b"a note"]):
            archive.writestr(f"p{number}/log", data)
    single = io.BytesIO()
    with zipfile.ZipFile(single, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr("log.nmea", logs[0])
    return [gzip.compress(logs[0], mtime=0), gzip.compress(logs[1], mtime=0) + gzip.compress(b"", mtime=0),
            out.getvalue(), single.getvalue(), *found_inputs("packed")]  # fmt: skip
