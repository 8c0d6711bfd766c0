"""Logs changed in ways that must not change what is read: cut, joined, other line ends, orders, units, forms.

No expected value is needed: each log is held against another that says the same. The logs are of simulated
passes, written by the simulator's own writers.
"""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import groupby
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import speedlog as sl
from speedlog.demo import writers
from speedlog.demo.families import family
from speedlog.demo.gnss import GnssLog
from speedlog.demo.scenario import SimulatedPass
from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, read_source
from speedlog.samples import Recording
from speedlog.units import find_unit
from tests.importers.nmea_text import framed

FORMS = ("nmea", "gpx", "csv")
EPOCHS = 60


def simulated(seed: int = 4) -> SimulatedPass:
    return family("clean_25hz", np.random.default_rng(seed))


def short(log: GnssLog, first: int = 300, last: int = 300 + EPOCHS) -> GnssLog:
    """Some epochs of a log."""
    names = [
        name
        for name, value in vars(log).items()
        if isinstance(value, np.ndarray) and len(value) == len(log.time_ns)
    ]
    return replace(log, **{name: getattr(log, name)[first:last] for name in names})


def written(log: GnssLog, form: str) -> bytes:
    if form == "nmea":
        return writers.nmea(log)
    return writers.gpx(log, "a") if form == "gpx" else writers.gnss_csv(log)


LOG = short(simulated().gnss[0][2])
TEXT = {form: written(LOG, form) for form in FORMS}


def read(data: bytes | str) -> Recording:
    return read_source(Source("log", data.encode() if isinstance(data, str) else data), ReadOptions())


WHOLE = {form: read(text).samples for form, text in TEXT.items()}


def assert_same(found: pd.DataFrame, expected: pd.DataFrame, but: tuple[str, ...] = ()) -> None:
    pd.testing.assert_frame_equal(
        found.drop(columns=list(but)), expected.drop(columns=list(but)), check_exact=True
    )


def assert_prefix(found: pd.DataFrame, whole: pd.DataFrame) -> None:
    """The first rows of the whole, to the last digit; of the last row some values may not have come any more."""
    assert list(found.index) == list(whole.index[: len(found)])
    if not len(found):
        return
    assert_same(found.iloc[:-1], whole.iloc[: len(found) - 1])
    last, full = found.iloc[-1], whole.iloc[len(found) - 1]
    for name in found.columns:
        assert pd.isna(last[name]) or last[name] == full[name], name


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("end", [b"\r\n", b"\n", b"\r"])
def test_a_log_cut_anywhere_gives_the_first_of_its_samples(form: str, end: bytes) -> None:
    text = TEXT[form].replace(b"\r\n", b"\n").replace(b"\n", end)

    @settings(max_examples=40, deadline=None)
    @given(st.integers(0, len(text)))
    def cut(size: int) -> None:
        try:
            found = read(text[:size])
        except SpeedlogError:
            assert size < len(text) // 10  # nothing usable has come yet
            return
        told = any("it may be cut short" in warning for warning in found.warnings)
        assert_prefix(found.samples.iloc[: -1 if told else None], WHOLE[form])
        if form == "gpx" and size < len(text.rstrip()):
            assert any("breaks off at line" in warning for warning in found.warnings)

    cut()


@pytest.mark.parametrize("at", [1, 7, 30, EPOCHS - 1])
def test_two_logs_one_behind_the_other_are_their_union(at: int) -> None:
    """As a logger leaves them that opens its file again. A table brings its header again."""
    for form in ("nmea", "csv"):
        parts = [written(short(LOG, 0, at), form), written(short(LOG, at, EPOCHS), form)]
        apart = pd.concat([read(part).samples for part in parts])
        assert_same(read(b"".join(parts)).samples, apart)


@pytest.mark.parametrize("form", ["nmea", "csv"])
def test_a_log_twice_is_itself(form: str) -> None:
    found = read(TEXT[form] * 2)
    assert_same(found.samples, WHOLE[form])
    assert found.warnings  # its clock stepped back: never silent


def test_two_gpx_documents_in_one_file_are_never_read_in_silence() -> None:
    found = read(TEXT["gpx"] * 2)
    assert_same(found.samples, WHOLE["gpx"])
    assert any("breaks off" in warning for warning in found.warnings)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r", b"\r\r\n", b"\n\n"])
def test_line_ends_change_nothing(form: str, end: bytes) -> None:
    text = TEXT[form].replace(b"\r\n", b"\n").replace(b"\n", end)
    assert_same(read(text).samples, WHOLE[form])


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("form", FORMS)
def test_encodings_change_nothing(form: str, encoding: str) -> None:
    text = TEXT[form].decode().replace(' encoding="UTF-8"', "")
    assert_same(read(text.encode(encoding)).samples, WHOLE[form])


def epochs_of(text: bytes) -> list[list[str]]:
    """The sentences of an NMEA log by the time of their epoch; those without a time go with the one before."""
    moment, marked = "", []
    for line in text.decode().splitlines():
        if line[3:6] in ("RMC", "GGA"):
            moment = line.split(",")[1]
        marked.append((moment, line))
    return [[line for _, line in lines] for _, lines in groupby(marked, key=lambda item: item[0])]


@settings(max_examples=30, deadline=None)
@given(st.randoms(use_true_random=False))
def test_the_order_of_sentences_in_an_epoch_changes_nothing(random) -> None:  # type: ignore[no-untyped-def]
    """Those without a time belong to the position before them: they stay behind the others."""
    lines = []
    for sentences in epochs_of(TEXT["nmea"]):
        timed = [line for line in sentences if line[3:6] in ("RMC", "GGA")]
        others = [line for line in sentences if line not in timed]
        random.shuffle(timed)
        random.shuffle(others)
        lines += timed + others
    found = read("".join(line + "\r\n" for line in lines))
    assert_same(found.samples, WHOLE["nmea"])
    assert found.rejected == 0


UNKNOWN = (
    framed("GNTXT,01,01,02,hello"), framed("GPDTM,W84,,0.0,N,0.0,E,0.0,W84"), "$PUBX,00,1*2A", "!AIVDM,1,1,,A,0,0*11",
    "# a line of the writer's own", "", "\x00\xff", framed("GNGBS,120000.00,,,,,,,"), framed("GNHDT,75.0,T"),
)  # fmt: skip


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 10**6), st.sampled_from(UNKNOWN)), max_size=40))
def test_unknown_sentences_change_nothing(extra: list[tuple[int, str]]) -> None:
    lines = TEXT["nmea"].decode().splitlines()
    for at, line in extra:
        lines.insert(at % (len(lines) + 1), line)
    found = read("".join(line + "\r\n" for line in lines).encode("latin-1"))
    assert_same(found.samples, WHOLE["nmea"])


def test_words_round_the_sentences_change_nothing() -> None:
    lines = TEXT["nmea"].decode().splitlines()
    for form in ("12:00:00.1 {}", "{} #7", "\\s:gps,c:1*11\\{}", "x{}y"):
        assert_same(read("".join(form.format(line) + "\r\n" for line in lines)).samples, WHOLE["nmea"])
    assert_same(read("".join(lines)).samples, WHOLE["nmea"])


@settings(max_examples=30, deadline=None)
@given(st.permutations(range(9)), st.sampled_from([",", ";", "\t", "|"]), st.booleans())
def test_order_and_number_of_columns_and_their_separator_change_nothing(
    order: list[int], separator: str, more: bool
) -> None:
    rows = [line.split(",") for line in TEXT["csv"].decode().splitlines()]
    rows = [[row[at] for at in order] for row in rows]
    if more:
        rows = [[*row[:3], "Lap" if place == 0 else str(place), *row[3:]] for place, row in enumerate(rows)]
    assert_same(read("\n".join(separator.join(row) for row in rows) + "\n").samples, WHOLE["csv"])


def test_unknown_elements_blanks_and_prefixes_of_gpx_change_nothing() -> None:
    text = TEXT["gpx"].decode()
    spaced = text.replace("><", ">\n \t<").replace(
        "<ele>", "<!-- a note --><name>a</name><x:y xmlns:x='urn:x'>9</x:y><ele>"
    )
    assert_same(read(spaced).samples, WHOLE["gpx"])
    prefixed = re.sub(
        r"<(/?)(gpx|trk|name|trkseg|trkpt|ele|time|fix|sat|hdop|extensions)\b", r"<\1g:\2", text
    )
    prefixed = prefixed.replace("xmlns=", "xmlns:g=")
    assert_same(read(prefixed).samples, WHOLE["gpx"])


@pytest.mark.parametrize("symbol", ["m/s", "km/h", "mph", "kn", "ft/s"])
def test_units_of_speed_come_back(symbol: str) -> None:
    """Written with every digit a double has, a speed may move by a rounding or two, no more."""
    unit = find_unit(symbol, "speed")
    assert unit is not None
    expected = WHOLE["csv"]["speed_mps"]
    rows = [line.split(",") for line in TEXT["csv"].decode().splitlines()]
    rows[0][3] = f"Speed ({symbol})"
    for row, speed in zip(rows[1:], expected, strict=True):
        row[3] = repr(float(unit.from_si(speed)))
    found = read("\n".join(map(",".join, rows)) + "\n").samples
    assert_same(found, WHOLE["csv"], but=("speed_mps",))
    np.testing.assert_allclose(found["speed_mps"], expected, rtol=1e-15)


def test_forms_of_times_come_back() -> None:
    rows = [line.split(",") for line in TEXT["csv"].decode().splitlines()]
    times = WHOLE["csv"].index
    forms = {
        "UTC": lambda moment: moment.strftime("%Y-%m-%d %H:%M:%S.%f"),
        "timestamp_ms": lambda moment: str(moment.value // 1_000_000),
        "timestamp (s)": lambda moment: f"{moment.value // 10**9}.{moment.value % 10**9:09d}",
        "Time": lambda moment: moment.tz_convert("Asia/Kolkata").isoformat(),
    }
    for header, form in forms.items():
        lines = [
            [header, *rows[0][1:]],
            *([form(moment), *row[1:]] for moment, row in zip(times, rows[1:], strict=True)),
        ]
        assert_same(read("\n".join(map(",".join, lines)) + "\n").samples, WHOLE["csv"])


@pytest.mark.parametrize("seed", [4, 9])
def test_the_same_pass_in_three_forms_gets_the_same_review(seed: int, tmp_path: Path) -> None:
    """Within what the texts can tell: half a last digit of each speed, and of each place over the trap's length."""
    run = simulated(seed)
    log = run.gnss[0][2]
    (tmp_path / "course.toml").write_text(run.course_toml(), "utf-8")
    course = sl.Course.load(tmp_path / "course.toml")
    found = {}
    for form in FORMS:
        path = tmp_path / f"log.{form}"
        path.write_bytes(written(log, form))
        found[form] = sl.review(path, course=course, trap=f"{run.official_mps:.3f} m/s").passes[0]
    minute = 10.0**-log.logger.minute_digits * 1852  # metres of latitude in the last digit
    place_m = {"nmea": minute, "gpx": 1e-7 * 111_320, "csv": 1e-7 * 111_320}
    for one, other in (("nmea", "gpx"), ("nmea", "csv"), ("gpx", "csv")):
        speed = sum(writers.speed_step_mps(log, form) for form in (one, other)) / 2
        place = sum(place_m[form] for form in (one, other)) / 2 / course.length_m * run.trap_mps
        first, second = found[one], found[other]
        assert first.trap and second.trap and first.peak and second.peak and first.verdict and second.verdict
        assert first.trap.estimate_mps == pytest.approx(second.trap.estimate_mps, abs=speed + place)
        assert first.peak.estimate_mps == pytest.approx(second.peak.estimate_mps, abs=speed + place)
        assert first.verdict.code == second.verdict.code
        assert first.heading_deg == pytest.approx(second.heading_deg, abs=0.1)
        assert abs(first.start_utc - second.start_utc) <= pd.Timedelta(1.5 / log.logger.rate_hz, "s")


HEAD = "UTC,Latitude (deg),Longitude (deg),Speed (m/s)\n"
ROWS = [f"2026-07-12T10:00:0{at}Z,53.1000{at}00,-1.2000000,{10 + at}.25{at}" for at in range(4)]


def test_a_table_cut_in_its_only_row_gives_no_number_of_it() -> None:
    """Found by the test above: with no other row to tell, "-117.1" cut to "-1" was a longitude."""
    with pytest.raises(
        SpeedlogError, match=r"no row can be read \(line 2: cut short: fewer than 4 whole fields"
    ):
        read(HEAD + ROWS[0][:35])
    lone = read(HEAD + ROWS[0])
    assert len(lone.samples) == 1 and "it may be cut short" in lone.warnings[-1]  # the last cell might be
    assert not any("cut" in warning for warning in read(HEAD + ROWS[0] + "\n").warnings)


def test_a_last_cell_that_may_be_cut_is_told_of() -> None:
    table = HEAD + "\n".join(ROWS)
    assert read(table).warnings == read(table + "\n").warnings == ()
    (warning,) = read(table[:-1]).warnings
    assert (
        warning
        == "the last line has no end, and no line before has so short a last cell: it may be cut short"
    )
    assert read(table[:-1] + "\n").warnings == ()  # a logger that writes as many digits as it needs
