"""The fast GPX reader gives what the careful one gives: on whole, generated, damaged and hostile documents."""

from __future__ import annotations

import random
from collections.abc import Callable
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, gpx, gpx_fast
from speedlog.importers.gpx_fast import find_regular
from speedlog.importers.gpx_track import read_carefully
from speedlog.samples import Recording
from tests.importers.nmea_careful import assert_alike

NUMBERS = [
    "0", "-0", "-0.0", "12.5", "5.", ".5", "-.5", ".", "-", "+1.5", "1e1", "1.2.3", "", " 12 ", "nan", "many", "1,5",
    "53.10000012345678", "123456789012345", "0.1234567890123456789", "1" * 45, "١٢",
]  # fmt: skip
TIMES = [
    "2024-06-15T13:45:{:02d}Z", "2024-06-15T13:45:{:02d}.040Z", "2024-06-15T13:45:{:02d}.123456789Z",
    "2024-06-15t13:45:{:02d}z", "2024-06-15T15:45:{:02d}+02:00", "2024-06-15T15:45:{:02d}.5-08:30",
    "2024-06-15T15:45:{:02d}+0200",
    "2024-06-15 13:45:{:02d},25Z", "2024-06-15T13:45:{:02d}", "2024-02-30T13:45:{:02d}Z",
    "2024-06-15T24:45:{:02d}Z", "2024-06-15T13:45:{:02d}.Z", "2024-06-15T13:45:{:02d}.1234567890Z", "noon", "", " ",
    " 2024-06-15T13:45:{:02d}Z ", "9999-06-15T13:45:{:02d}Z", "0000-06-15T13:45:{:02d}Z", "20240615T1345{:02d}Z",
]  # fmt: skip
INSIDE = [
    "<ele>{n}</ele>", "<ele>{n}</ele><time>{t}</time><speed>{n}</speed>", "<fix>3d</fix><sat>{n}</sat><hdop>{n}</hdop>",
    "<time>{t}</time><extensions><speed>{n}</speed></extensions>", "<course>{n}</course><speed>{n}</speed><ele/>",
    "\n  <ele>{n}</ele>\n  <extensions>\n <x:cog>{n}</x:cog><x:ele>{n}</x:ele>\n</extensions>\n", "<fix>{f}</fix>",
    "<ele>1<b/>{n}</ele>", "<ele>{n}</ele><ele>{n}</ele>", "<x:time>{t}</x:time><time/>", "<name>a &amp; b</name>",
    "<name>é</name>", "<desc>a > b</desc>", "<a t='\"'/>", '<a t=">"/>', "<!-- <ele>1</ele> -->",
    "<![CDATA[<ele>1</ele>]]>",
    "<trkpt lat='1' lon='2'><time>{t}</time></trkpt>", "<Speed>{n}</Speed>", "<ele>{n}", "</ele>", "&#127;", "]]>",
    "<extensions><fix>dgps</fix></extensions><fix></fix>", "<?go on?>", "&x;",
]  # fmt: skip
STARTS = ['<trkpt lat="{a}" lon="{o}">'] * 6 + [
    '<trkpt lon="{o}" lat="{a}">', "<trkpt lat='{a}' lon='{o}'>", '<trkpt\n lat="{a}"  lon="{o}" >',
    '<g:trkpt lat="{a}" lon="{o}">',
    '<trkpt lat="{a}">', '<trkpt lat="{a}" lat="{o}">', '<trkpt x="1" lat="{a}" lon="{o}">',
    '<trkpt lat="&#127;0" lon="1">',
]  # fmt: skip
BETWEEN = [
    "",
    "\n",
    "\n",
    "\r\n   ",
    "\r",
    "text",
    "</trkseg><trkseg>",
    "<!-- -->",
    "<trkseg>",
    "</trk>",
    "<wpt lat='1' lon='2'/>",
]
HEADS = [
    '<?xml version="1.0"?>\n<gpx version="1.1"><trk><trkseg>'
] * 6 + [
    '<gpx version="1.0">\n<trk><trkseg>\n', "\n\n<gpx><trk><trkseg>", "\ufeff<gpx><trk><trkseg>", "<gpx>",
    "<!-- <trkpt --><gpx><trk><name><![CDATA[<x]]></name><trkseg>", "<!-- <gpx><trk><trkseg>",
    "<gpx><trk><trkseg><trkpt>",
    '<?xml version="1.0" encoding="utf-16"?><gpx><trk>',
    '<?xml version="1.0" encoding="iso-8859-1"?><gpx><trk><trkseg>',
    "<!DOCTYPE gpx><gpx><trk><trkseg>", "", "<gpx/>", '<gpx><a b="', "<gpx><trk><trkseg></trkseg><trkseg>",
]  # fmt: skip


def read(data: bytes, *, careful: bool = False) -> Recording | str:
    """What reading gives, or the text of its refusal."""
    source = Source("log.gpx", data)
    try:
        if not careful:
            return gpx.read(source, ReadOptions())
        with patch.object(gpx, "read_track", read_carefully):
            return gpx.read(source, ReadOptions())
    except SpeedlogError as problem:
        return str(problem)


def assert_same(data: bytes) -> None:
    assert_alike(read(data), read(data, careful=True))


def a_point(second: int, inside: str, start: str = STARTS[0]) -> str:
    return (
        start.format(a=f"{53.1 + second * 1.8e-4:.7f}", o=f"{-1.2 - second * 1e-7:.9f}") + inside + "</trkpt>"
    )


def a_log(points: int, inside: str = "<ele>{n}</ele><time>{t}</time><speed>20.25</speed>") -> bytes:
    body = "\n".join(
        a_point(s, inside.format(n=50 + s / 8, t=TIMES[0].format(s % 60), f="3d")) for s in range(points)
    )
    return f"{HEADS[0]}\n{body}\n</trkseg></trk></gpx>\n".encode()


def test_a_usual_log_is_regular_but_for_what_stands_between() -> None:
    found = find_regular(a_log(50).replace(b"<ele>53.125</ele>", b"<ele>high</ele>"))
    assert [run.points for run in found.runs] == [25, 24] and len(found.shapes) == 1


def test_points_that_lack_a_value_are_a_shape_of_their_own() -> None:
    data = a_log(50).replace(b"<ele>53.125</ele>", b"")
    found = find_regular(data)
    assert [run.points for run in found.runs] == [50] and len(found.shapes) == 2
    assert_same(data)


@pytest.mark.parametrize("stretch", [300, 1000, 1 << 20])
def test_stretches_make_no_difference(stretch: int) -> None:
    data = a_log(50).replace(b"<ele>53.125</ele>", b"<ele>high</ele>")
    with patch.object(gpx_fast, "STRETCH_BYTES", stretch):
        assert sum(run.points for run in find_regular(data).runs) == 49
        assert_same(data)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"</gpx>", b"</gpx><!-- -->"), (b"<gpx", b"<!DOCTYPE gpx><gpx"),
        (b"20.25</speed></trkpt>\n<", b"20.25</speed></trkpt>\r<"), (b"<ele>50.5", b"<ele>&#53;0.5"),
        (b"<ele>50.5", b"<ele>\x7f0.5"), (b"<ele>50.5", b"<ele>\x000.5"), (b"<trkseg>", b"<trkseg><![CDATA["),
    ],
)  # fmt: skip
def test_a_document_in_which_tags_may_mean_something_else_is_left_to_the_careful_reader(
    old: bytes, new: bytes
) -> None:
    data = a_log(9).replace(old, new)
    assert_same(data)
    assert not find_regular(data).runs


@pytest.mark.parametrize(
    ("old", "new"),
    [(b"<trk>", b""), (b"<trkseg>", b"<trkseg><!-- a > b --><![CDATA[<trkseg>]]>"), (b"</trkseg>", b"")],
)
def test_what_stands_around_regular_points_is_the_careful_readers(old: bytes, new: bytes) -> None:
    data = a_log(9).replace(old, new)
    assert [run.points for run in find_regular(data).runs] == [9]
    assert_same(data)


@pytest.mark.parametrize("at", range(0, len(a_log(4)), 7))
def test_a_document_that_breaks_off(at: int) -> None:
    assert_same(a_log(4)[:at])


def test_points_without_any_element_around_them() -> None:
    """The first is the whole document then, and what follows it is none of it."""
    assert_same(a_log(5).replace(b"<gpx version", b"<!-- gpx -->").partition(b"<trkseg>")[2])


@pytest.mark.parametrize(
    ("inside", "gap"),
    [
        (lambda at: "", lambda at: "x" if at % 2 else "\n"),
        (lambda at: "<ele>high</ele>" if at % 2 else "<ele>1</ele>", lambda at: "\n"),
        (lambda at: f"<a{at}/>", lambda at: "\n"),
        (lambda at: "\n" * 60, lambda at: "\r\n" * (at % 3)),
        (lambda at: "<a>" if at == 80 else "", lambda at: "\n"),
    ],
    ids=["every gap another", "every second point odd", "every point a shape", "many lines", "breaks off"],
)
def test_runs_and_single_points_take_turns(inside: Callable[[int], str], gap: Callable[[int], str]) -> None:
    points = (
        a_point(at, f"<time>{TIMES[0].format(at % 60)}</time>{inside(at)}") + gap(at) for at in range(150)
    )
    assert_same("".join([HEADS[0], *points, "</trkseg></trk></gpx>"]).encode())


@st.composite
def documents(draw: st.DrawFn) -> bytes:
    """A log of one usual shape, with odd points, texts and gaps strewn in."""
    usual, pieces = draw(st.sampled_from(INSIDE[:6])), [draw(st.sampled_from(HEADS))]
    time, gap = draw(st.sampled_from(TIMES[:9])), draw(st.sampled_from(BETWEEN[:4]))
    for second in range(draw(st.integers(0, 14))):
        odd = draw(st.integers(0, 9))
        inside = draw(st.sampled_from(INSIDE)) if odd == 0 else usual
        number = draw(st.sampled_from(NUMBERS)) if odd == 1 else f"{second * 1.7:.3f}"
        stamp = draw(st.sampled_from(TIMES)) if odd == 2 else time
        inside = inside if "{t}" in inside or odd == 3 else "<time>{t}</time>" + inside
        start = draw(st.sampled_from(STARTS)) if odd == 4 else STARTS[0]
        word = draw(st.sampled_from(["3d", "DGPS", "none", "4d", " 2d", "x" * 12]))
        pieces += [a_point(second, inside.format(n=number, t=stamp.format(second), f=word), start)]
        pieces += [draw(st.sampled_from(BETWEEN)) if odd == 5 else gap]
    return "".join([*pieces, "</trkseg></trk></gpx>"]).encode()


@given(documents(), st.sampled_from([200, 700, 1 << 20]))
@settings(max_examples=150, deadline=None)
def test_generated_documents(data: bytes, stretch: int) -> None:
    with patch.object(gpx_fast, "STRETCH_BYTES", stretch):
        assert_same(data)


@given(st.integers(0, 2**32), st.sampled_from([200, 700, 1 << 20]))
@settings(max_examples=150, deadline=None)
def test_damaged_documents(seed: int, stretch: int) -> None:
    with patch.object(gpx_fast, "STRETCH_BYTES", stretch):
        assert_same(damaged(random.Random(seed), a_log(12)))


def damaged(rng: random.Random, data: bytes) -> bytes:
    """A few bytes changed, lost, put in or moved."""
    found = bytearray(data)
    for _ in range(rng.randrange(1, 4)):
        at = rng.randrange(len(found))
        kind = rng.randrange(5)
        if kind == 0:
            found[at] = rng.choice([rng.randrange(256), *b"<>/&\"'!?- \r\n0.9:ZT"])
        elif kind == 1:
            del found[at : at + rng.choice([1, 2, 30, 300])]
        elif kind == 2:
            found[at:at] = rng.choice(
                [
                    b"<",
                    b">",
                    b"<!--",
                    b"-->",
                    b"]]>",
                    b"&amp;",
                    b"\r",
                    b"<trkpt ",
                    b"</trkpt>",
                    b"\xc3\xa9",
                    b"\xff",
                ]
            )
        elif kind == 3:
            found[at:at] = found[at : at + rng.randrange(400)]
        else:
            del found[rng.randrange(len(found)) :]
        if not found:
            break
    return bytes(found)
