"""GPX documents written by hand; plain ElementTree and gpxpy as oracles for whole files."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import gpxpy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, gpx
from speedlog.importers.gpx_points import stamp_ns
from speedlog.samples import Recording

SHARED = Path(__file__).parents[2].parent / "shared"
needs_shared = pytest.mark.skipif(not SHARED.is_dir(), reason="shared/ is not beside this checkout")
NS11 = 'xmlns="http://www.topografix.com/GPX/1/1"'
NS10 = 'xmlns="http://www.topografix.com/GPX/1/0"'
STEP_DEG = 20.0 / 111_257.0  # 20 m north at 53.1: references.md topic 4, 0.001 deg there is 111.288 m


def read(data: str | bytes) -> Recording:
    return gpx.read(Source("log.gpx", data.encode() if isinstance(data, str) else data), ReadOptions())


def point(second: int, inside: str = "", lat: float | str | None = None) -> str:
    place = 53.1 + second * STEP_DEG if lat is None else lat
    time = f"<time>2024-06-15T13:45:{second:02d}Z</time>"
    return f'<trkpt lat="{place}" lon="-1.2">{time}{inside}</trkpt>\n'


def document(*points: str, version: str = "1.1", namespace: str = NS11) -> str:
    body = "".join(points)
    root = f'<gpx version="{version}" {namespace}>'
    return f'<?xml version="1.0"?>\n{root}<trk><trkseg>\n{body}</trkseg></trk></gpx>'


def speeds(recording: Recording) -> list[float]:
    return list(recording.samples["speed_mps"])


def drive(inside: str, **how: str) -> str:
    return document(*(point(second, inside) for second in range(12)), **how)


def test_elements_of_the_standard() -> None:
    inside = "<ele>51.5</ele><fix>dgps</fix><sat>12</sat><hdop>0.8</hdop>"
    found = read(
        document(point(0, inside), point(1, "<fix>none</fix>"), point(2, "<fix>pps</fix>"), point(3))
    )
    row = found.samples.iloc[0]
    assert (row["alt_m"], row["fix"], row["satellites"], row["hdop"]) == (51.5, "differential", 12.0, 0.8)
    assert found.samples["fix"].tolist()[1:] == ["none", "3d", np.nan]
    assert found.samples.index[0].isoformat() == "2024-06-15T13:45:00+00:00" and found.format == "gpx"
    assert found.warnings == () and found.facts == {"GPX version": "1.1"}


def test_speed_and_course_of_gpx_1_0_need_no_guess() -> None:
    found = read(drive("<course>75.5</course><speed>20.0</speed>", version="1.0", namespace=NS10))
    assert speeds(found) == [20.0] * 12 and found.warnings == ()
    assert found.samples["track_deg"].iloc[0] == 75.5


@pytest.mark.parametrize(
    "inside",
    [
        "<speed>20.0</speed>",
        "<extensions><speed>20.0</speed></extensions>",
        '<extensions><x:speed xmlns:x="urn:example:one">20.0</x:speed></extensions>',
        '<extensions><a:more xmlns:a="urn:b"><a:speed>20.0</a:speed></a:more></extensions>',
        "<extensions><undeclared:Speed>20.0</undeclared:Speed></extensions>",
    ],
)
def test_speed_anywhere_else_is_checked_by_the_positions(inside: str) -> None:
    found = read(drive(inside))
    assert speeds(found) == [20.0] * 12
    assert [text for text in found.warnings if "unit" in text] == [
        "speed states no unit: read as m/s, since that agrees with the positions"
    ]


@pytest.mark.parametrize(("written", "unit"), [("72.0", "km/h"), ("44.7388", "mph"), ("38.8769", "kn")])
def test_speed_in_another_unit_is_seen_by_the_positions(written: str, unit: str) -> None:
    """20 m/s is 72 km/h, 44.7388 mph (1 mph = 0.44704 m/s) and 38.8769 kn (1852/3600 m/s)."""
    for version, namespace in (("1.1", NS11), ("1.0", NS10)):
        found = read(drive(f"<speed>{written}</speed>", version=version, namespace=namespace))
        assert speeds(found) == pytest.approx([20.0] * 12, abs=1e-3)
        assert any(f"taken as {unit}" in text for text in found.warnings)


def test_a_speed_that_fits_no_unit_is_left_out_unless_the_standard_states_it() -> None:
    assert np.isnan(speeds(read(drive("<speed>29.0</speed>")))).all()
    found = read(drive("<speed>29.0</speed>", version="1.0", namespace=NS10))
    assert speeds(found) == [29.0] * 12 and any("check it" in text for text in found.warnings)


def test_a_speed_that_nothing_can_check_is_taken_with_a_warning() -> None:
    found = read(document(point(0, "<speed>20</speed>"), point(1, "<speed>20</speed>")))
    assert speeds(found) == [20.0, 20.0] and any("too little moves" in text for text in found.warnings)


def test_a_point_without_speed_keeps_it_missing() -> None:
    found = read(
        document(
            *(point(s, "<speed>20</speed>" if s else "") for s in range(12)), version="1.0", namespace=NS10
        )
    )
    assert np.isnan(speeds(found)[0]) and speeds(found)[1:] == [20.0] * 11


@pytest.mark.parametrize(
    ("text", "posix_s", "zoned"),
    [  # RFC 3339 section 5.8 and references.md topic 2
        ("1985-04-12T23:20:50.52Z", "482196050.52", True),
        ("1996-12-19T16:39:57-08:00", "851042397", True),
        ("2024-05-01T12:00:00.040Z", "1714564800.040", True),
        ("2024-05-01T12:00:00,040z", "1714564800.040", True),
        ("2024-05-01 12:00:00.123456789", "1714564800.123456789", False),
        ("2024-05-01T12:00:00.1234567899Z", "1714564800.123456789", True),
        ("2024-05-01T17:30:00+0530", "1714564800", True),
    ],
)
def test_times(text: str, posix_s: str, zoned: bool) -> None:
    whole, _, fraction = posix_s.partition(".")
    assert stamp_ns(text) == (int(whole) * 10**9 + int(fraction.ljust(9, "0") or 0), zoned)


@pytest.mark.parametrize(
    "text", ["1990-12-31T23:59:60Z", "2024-02-30T00:00:00Z", "2024-05-01", "9999-01-01T00:00:00Z", "x"]
)
def test_what_is_no_time(text: str) -> None:
    assert stamp_ns(text) is None


def test_times_without_a_zone_are_utc_with_a_warning() -> None:
    found = read(document(point(0), point(1)).replace("Z</time>", "</time>"))
    assert found.samples.index[0].isoformat() == "2024-06-15T13:45:00+00:00"
    assert "2 times state no zone: read as UTC" in found.warnings


def test_segments_are_declared_breaks() -> None:
    found = read(
        document(
            point(0), point(1), "</trkseg><trkseg>", point(5), "</trkseg><trkseg/>", "<trkseg>", point(7)
        )
    )
    assert [stamp.second for stamp in found.declared_breaks] == [1, 5] and len(found.samples) == 4


def test_segments_out_of_order_are_sorted_whole() -> None:
    found = read(document(point(5), point(6), "</trkseg></trk><trk><trkseg>", point(0), point(1)))
    assert [stamp.second for stamp in found.samples.index] == [0, 1, 5, 6] and len(found.segments) == 1
    assert any("sorted by time" in text for text in found.warnings)
    assert [stamp.second for stamp in found.declared_breaks] == [1]


def test_overlapping_segments_stay_in_file_order_with_a_warning() -> None:
    found = read(document(point(0), point(4), "</trkseg><trkseg>", point(2), point(6)))
    assert len(found.segments) == 2 and any("overlap in time" in text for text in found.warnings)


def test_bad_points_are_rejected_with_their_line_and_reason() -> None:
    no_time = '<trkpt lat="53.1" lon="-1.2"/>\n'
    bad_time = '<trkpt lat="53.1" lon="-1.2"><time>noon</time></trkpt>\n'
    no_lon = '<trkpt lat="53.1"><time>2024-06-15T13:45:09Z</time></trkpt>\n'
    found = read(
        document(point(0), no_time, bad_time, no_lon, point(1, lat=91), point(2, lat="nan"), point(3))
    )
    assert found.rejected == 5 and [item.line for item in found.rejects] == [4, 5, 6, 7, 8]
    assert [stamp.second for stamp in found.samples.index] == [0, 3]


@pytest.mark.parametrize(
    "inside", ["<sat>many</sat>", "<hdop>?</hdop>", "<ele/>", "<fix>4d</fix>", "<u:speed>x</u:speed>"]
)
def test_an_unreadable_value_is_missing_and_costs_nothing_else(inside: str) -> None:
    found = read(document(point(0, inside), point(1)))
    assert len(found.samples) == 2 and found.rejected == 0
    assert found.samples[["satellites", "hdop", "alt_m", "speed_mps"]].isna().all(axis=None)
    assert found.samples["fix"].isna().all()


def test_no_times_at_all_is_refused() -> None:
    with pytest.raises(SpeedlogError, match="none of the 2 track points has a time") as caught:
        read(document('<trkpt lat="53.1" lon="-1.2"/>', '<trkpt lat="53.1" lon="-1.2"/>'))
    assert "\n" not in str(caught.value)


def test_no_points_is_refused() -> None:
    for text in (
        document(),
        "<gpx/>",
        f"<gpx {NS11}><wpt lat='1' lon='2'><time>2024-01-01T00:00:00Z</time></wpt></gpx>",
    ):
        with pytest.raises(SpeedlogError, match="GPX without track points"):
            read(text)


@pytest.mark.parametrize(
    "declaration",
    [
        '<!DOCTYPE gpx [<!ENTITY x SYSTEM "secret.txt">]>',
        '<!DOCTYPE gpx SYSTEM "http://192.0.2.1/gpx.dtd">',
        '<!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>',
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_document_types_are_refused_before_anything_is_expanded(declaration: str, encoding: str) -> None:
    text = document(point(0), point(1, "<name>&x;</name>")).replace("<gpx ", f"{declaration}<gpx ")
    with pytest.raises(SpeedlogError, match="document type"):
        read(text.replace('<?xml version="1.0"?>', "").encode(encoding))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_encodings(encoding: str) -> None:
    data = ("\n\n" if encoding == "utf-8" else "") + document(point(0, "<name>é</name>"), point(1))
    assert gpx.sniff(data.encode(encoding)[:4096])
    assert len(read(data.encode(encoding)).samples) == 2


def test_cut_off_document_gives_the_points_before_with_a_warning() -> None:
    whole = document(*(point(second) for second in range(10)))
    found = read(whole[: whole.index("13:45:07")])
    assert len(found.samples) == 7 and any("breaks off at line 10" in text for text in found.warnings)


@needs_shared
@pytest.mark.parametrize("name", ["movingpandas__304_to_UL_2019-02-18_0745.gpx"])
def test_a_real_track_against_gpxpy_and_element_tree(name: str) -> None:
    data = (SHARED / "real" / "gpx" / name).read_bytes()
    found = read(data).samples
    oracle = [
        point
        for track in gpxpy.parse(data.decode()).tracks
        for part in track.segments
        for point in part.points
    ]
    tree = [item for item in ET.fromstring(data).iter() if item.tag.endswith("}trkpt")]
    assert len(found) == len(oracle) == len(tree)
    assert found["lat_deg"].to_numpy() == pytest.approx([point.latitude for point in oracle], abs=0)
    assert found["lon_deg"].to_numpy() == pytest.approx([float(item.attrib["lon"]) for item in tree], abs=0)
    assert list(found.index) == [point.time for point in oracle]


WHOLE = document(*(point(second, "<speed>20</speed>") for second in range(8))).encode()


@given(cut=st.integers(0, len(WHOLE)))
@settings(max_examples=60, deadline=None)
def test_a_cut_document_gives_the_first_samples(cut: int) -> None:
    whole = read(WHOLE).samples
    try:
        part = read(WHOLE[:cut]).samples
    except SpeedlogError:
        assert cut < WHOLE.index(b"</trkpt>") + len("</trkpt>")
        return
    assert list(part.index) == list(whole.index[: len(part)])
    assert list(part["lat_deg"]) == list(whole["lat_deg"][: len(part)])


@given(st.integers(0, len(WHOLE)), st.binary(max_size=20), st.integers(0, 20))
@settings(max_examples=80, deadline=None)
def test_any_bytes_give_a_recording_or_one_clear_error(at: int, new: bytes, lost: int) -> None:
    data = WHOLE[:at] + new + WHOLE[at + lost :]
    gpx.sniff(data)
    try:
        found = read(data)
    except SpeedlogError as problem:
        assert "\n" not in str(problem)
        return
    assert isinstance(found, Recording) and len(found.samples)


@given(st.binary(max_size=200))
@settings(max_examples=80, deadline=None)
def test_bytes_that_are_no_document(data: bytes) -> None:
    with pytest.raises(SpeedlogError):
        read(b"<gpx>" + data)
