"""Every number of the common table, worked out again from the lines that a trace shows."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.demo import sample_folder
from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, detect, load, nmea
from speedlog.importers.nmea_scan import LineNumbers
from speedlog.importers.trace import factor_words, trace_epoch, visible
from speedlog.settings import ReadSettings
from speedlog.units import UNITS
from tests.importers.nmea_text import gga, log_of, rmc
from tests.importers.trace_check import check_epochs

SHARED = Path(__file__).parents[2].parent / "shared"
LOGS = sorted(sample_folder().glob("p*.*")) + [
    path for folder in ("edge/files", "real/nmea", "real/gpx", "real/csv", "real/drive")
    for path in sorted((SHARED / folder).glob("*.*")) if path.suffix not in (".md", ".json")
]  # fmt: skip


@pytest.mark.parametrize("path", LOGS, ids=lambda path: path.name)
def test_every_value_of_every_log_at_hand(path: Path) -> None:
    try:
        source = load(path, ReadSettings())
        detect(source).read(source, ReadOptions())
    except SpeedlogError:
        return  # what can't be read has no epochs
    assert check_epochs(source) > 0


TEXT = st.sampled_from
SENTENCES = ("RMC", "GGA", "GLL", "GNS", "VTG", "GSA", "GSV", "ZDA")


@st.composite
def bodies(draw: st.DrawFn, time: str) -> list[str]:
    """The sentences of an epoch in any order, fields blank or filled, of one or two talkers."""
    found = []
    for kind in draw(st.lists(TEXT(SENTENCES), min_size=1, max_size=7)):
        talker = draw(TEXT(("GP", "GN", "GL")))
        place = draw(TEXT(("5306.07673,N,00111.52410,W", "5306.076,S,00111.524,E", ",,,")))
        number = draw(TEXT(("12.345", "0.146", "190.497", "7", "")))
        found.append(
            {
                "RMC": f"{talker}RMC,{time},A,{place},{number},{draw(TEXT(('75.0', '360.0', '-10.5', '')))},010524,,,"
                + draw(TEXT(("A", "D", "E", "N"))),
                "GGA": f"{talker}GGA,{time},{place},{draw(TEXT('012456'))},{draw(TEXT(('12', '07', '')))},"
                f"{draw(TEXT(('0.70', '99.99', '')))},31.2,M,47.1,M,,",
                "GLL": f"{talker}GLL,{place},{time},A,A",
                "GNS": f"{talker}GNS,{time},{place},AN,03,10.5,{number},47.0,,",
                "VTG": draw(
                    TEXT(
                        (f"{talker}VTG,75.5,T,,M,{number},N,20.5,K,A", f"{talker}VTG,75.5,76.0,{number},20.5")
                    )
                ),
                "GSA": f"{talker}GSA,A,{draw(TEXT('23'))},04,05,,09,12,,,24,,,,,2.5,1.3,2.1",
                "GSV": f"{talker}GSV,1,1,04,01,40,083,46,02,17,308,"
                + draw(TEXT(("", "41", "00")))
                + ",12,07,344,39,01,22,228,45",
                "ZDA": f"{talker}ZDA,{time},01,05,2024,00,00",
            }[kind]
        )
    return found


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_any_mixture_of_sentences(data: st.DataObject) -> None:
    text: list[str] = []
    for at in range(data.draw(st.integers(2, 6))):
        text += data.draw(bodies(f"1200{at:02d}.{data.draw(TEXT(('00', '04', '5')))}"))
    log = log_of(*text)
    if data.draw(st.booleans()):  # a broken one among them
        log = log.replace(b"*", b"x*", 1)
    source = Source("log.nmea", log)
    try:
        nmea.read(source, ReadOptions())
    except SpeedlogError:
        return
    check_epochs(source)


def test_lines_thrown_away_are_shown_with_their_reason_and_those_it_leans_on() -> None:
    """By hand: GSA says 2D in line 1; line 3 has a wrong checksum; both stand beside the epoch of lines 2 and 4."""
    gsa = "GNGSA,A,2,04,05,,,,,,,,,,,2.5,1.3,2.1"
    log = log_of(gsa, rmc("120000.00"), gga("120000.00"), gga("120000.00"), rmc("120000.10"))
    lines = log.split(b"\r\n")
    lines[2] = lines[2].replace(b"12,0.80", b"12,0.90")
    source = Source("log.nmea", b"\r\n".join(lines))
    recording = nmea.read(source, ReadOptions())
    trace = trace_epoch(source, recording, recording.samples.index[0], ReadOptions())
    assert [(line.number, line.note) for line in trace.lines] == [
        (1, "not of this epoch, but what it says still holds"),
        (2, ""),
        (3, "thrown away: wrong checksum"),
        (4, ""),
    ]
    hdop = next(item for item in trace.became if item.column == "hdop")
    assert [(piece.line, piece.where, piece.text) for piece in hdop.pieces] == [(4, "GGA field 8", "0.80")]


def test_speeds_that_stand_before_their_positions() -> None:
    """VTG first, no RMC, while the car gains speed: each speed belongs to the position after it."""
    text, along = [], 0.0
    for at in range(40):
        speed = 10.0 + at  # m/s, 1 s apart: along by hand, sum of means
        along += speed - 0.5
        minutes = f"{6 + along / 1852.0:08.5f}"  # a minute of latitude is a nautical mile
        text += [f"GNVTG,0.0,T,,M,{speed / 1852 * 3600:.3f},N,,K,A", gga(f"1200{at:02d}.00", minutes=minutes)]
    source = Source("log.nmea", log_of(*text))
    recording = nmea.read(source, ReadOptions())
    assert any("before their positions" in text for text in recording.warnings)
    trace = trace_epoch(source, recording, recording.samples.index[20], ReadOptions())
    speed = next(item for item in trace.became if item.column == "speed_mps")
    assert [line.number for line in trace.lines if "VTG" in line.text] == [41, 43]
    assert speed.pieces[0].line == 41 and recording.samples["speed_mps"].iloc[20] == pytest.approx(
        30.0, abs=1e-3
    )


UNITS_OF = {
    "Altitude": ("m", "ft"), "Speed": ("m/s", "km/h", "mph", "kn", "ft/s"), "Course": ("deg", "rad"),
    "Speed accuracy": ("m/s", "km/h"), "RPM": ("rpm", "krpm"), "Current": ("A", "mA"), "Voltage": ("V", "mV"),
    "Motor temp": ("°C", "°F", "K"), "ESC temp": ("°C", "°F"), "Throttle": ("%", "1", "µs", ""),
    "Forward": ("g", "m/s²"),
}  # fmt: skip


@given(st.data())
@settings(max_examples=40, deadline=None)
def test_any_table(data: st.DataObject) -> None:
    """Every column of a table in every unit, decimal point or comma, its times counted or written out."""
    comma = data.draw(st.booleans())
    time = data.draw(TEXT(("Time (s)", "Time (ms)", "UTC")))
    units = {name: data.draw(TEXT(some)) for name, some in UNITS_OF.items()}
    heads = [
        time,
        "Latitude",
        "Longitude",
        *(f"{name} ({unit})" if unit else name for name, unit in units.items()),
    ]
    rows = []
    for at in range(6):
        stamp = {
            "Time (s)": f"{at * 0.05:.2f}",
            "Time (ms)": f"{at * 50}",
            "UTC": f"2026-07-12T12:00:00.{at * 5:02d}Z",
        }
        numbers = [f"{data.draw(st.integers(0, 3000)) / 1000:.3f}" for _ in units]
        if units["Throttle"] == "µs":
            numbers[list(units).index("Throttle")] = str(data.draw(st.integers(1000, 2000)))
        rows.append([stamp[time], f"{53 + at * 1e-5:.7f}", f"{-1 - at * 1e-5:.7f}", *numbers])
    lines = [";".join(heads), *(";".join(row) for row in rows)]
    text = "\n".join(lines) + "\n"
    source = Source("log.csv", text.replace(".", ",").encode() if comma and time != "UTC" else text.encode())
    assert check_epochs(source) >= 6 * 10


@given(st.data())
@settings(max_examples=40, deadline=None)
def test_any_track(data: st.DataObject) -> None:
    points = []
    for at in range(6):
        parts = [
            f"<ele>{data.draw(st.integers(-50, 900)) / 10}</ele>",
            f"<time>2026-07-12T14:00:0{at}{data.draw(TEXT(('Z', '.25Z', '+02:00')))}</time>",
            f"<course>{data.draw(TEXT(('75.5', '359.9', '-3')))}</course>", "<fix>3d</fix>", "<sat>11</sat>",
            f"<hdop>{data.draw(st.integers(5, 90)) / 10}</hdop>",
            f"<speed>{data.draw(st.integers(0, 900)) / 10}</speed>",
        ]  # fmt: skip
        gap = data.draw(TEXT(("", "\n")))
        kept = [part for part in parts if "time" in part or data.draw(st.booleans())]
        points.append(f'<trkpt lat="{53 + at * 1e-4:.6f}" lon="-1.2">{gap.join(kept)}</trkpt>')
    glue = data.draw(TEXT(("", "\n")))
    text = f'<gpx version="1.0"><trk><trkseg>{glue.join(points)}</trkseg></trk></gpx>'
    check_epochs(Source("log.gpx", text.encode()))


def test_a_packed_log(tmp_path: Path) -> None:
    path = tmp_path / "log.nmea.gz"
    path.write_bytes(gzip.compress(log_of(*(rmc(f"12000{at}.00", f"{at}.0") for at in range(9)))))
    assert check_epochs(load(path, ReadSettings())) > 0


@pytest.mark.parametrize(
    ("symbol", "kind", "words"),
    [
        ("km/h", "speed", "/ 3.6"), ("mph", "speed", "× 0.44704"), ("kn", "speed", "× 1852/3600"),
        ("°F", "temperature", "(x - 32) / 1.8"), ("K", "temperature", "x - 273.15"), ("%", "share", "× 0.01"),
        ("m/s", "speed", ""), ("°C", "temperature", ""), ("gn", "acceleration", "× 9.80665"),
    ],
)  # fmt: skip
def test_factors_in_words(symbol: str, kind: str, words: str) -> None:
    """NIST SP 811 (2008), Appendix B."""
    assert factor_words(next(unit for unit in UNITS if (unit.symbol, unit.kind) == (symbol, kind))) == words


def test_no_control_character_gets_through() -> None:
    assert visible("a\tb\x00\x1b[2J\u202ec\r\n") == "a\\tb\\x00\\x1b[2J\\u202ec\\r\\n"


def test_a_hostile_element_is_shown_harmless_and_short() -> None:
    points = "".join(
        f'<trkpt lat="53.{at}" lon="-1"><time>2026-07-12T12:00:0{at}Z</time><ele>\u202e{"x" * 5000}\n1</ele></trkpt>'
        for at in range(3)
    )
    source = Source("log.gpx", f'<gpx version="1.1"><trk><trkseg>{points}</trkseg></trk></gpx>'.encode())
    recording = detect(source).read(source, ReadOptions())
    trace = trace_epoch(source, recording, recording.samples.index[1], ReadOptions())
    ele = next(item for item in trace.became if item.column == "alt_m")
    assert ele.pieces[0].text == "\\u202e" + "x" * 74 and "left out" in ele.how


def test_lines_know_where_they_begin() -> None:
    data = b"one\r\ntwo\rthree\n\nfive"
    lines = LineNumbers(data)
    assert [data[lines.start(at) :][:3] for at in (1, 2, 3, 5)] == [b"one", b"two", b"thr", b"fiv"]
    assert lines.count == 5 and lines.start(6) == len(data)
    assert all(lines(lines.start(at)) == at for at in range(1, 6))
