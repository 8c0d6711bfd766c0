"""Columns, rate and the fix over time: each number counted by hand."""

from __future__ import annotations

import pytest

from speedlog.importers import Source, delimited, gpx
from speedlog.importers.overview import column_facts, fix_strip, origins_of, rate_facts
from speedlog.samples import Origin, Recording
from tests.importers.nmea_text import clean_log, gga, log_of, read, rmc

PAUSE = 1.5


def table(*rows: str, head: str = "Time (s),Latitude,Longitude,Speed (km/h),Fix,HDOP") -> Recording:
    return delimited.read(Source("log.csv", "\n".join([head, *rows, ""]).encode()))


def test_ranges_missing_shares_and_who_says_the_unit() -> None:
    recording = table(
        "0,53.1,-1.2,36,3,0.7", "1,53.2,-1.1,,3,0.9", "2,53.3,-1.0,72,3,", "3,53.4,-0.9,54,3,0.8"
    )
    facts = {one.name: one for one in column_facts(recording)}
    assert (facts["speed_mps"].low, facts["speed_mps"].high, facts["speed_mps"].missing) == (10.0, 20.0, 0.25)
    assert (facts["hdop"].low, facts["hdop"].high, facts["hdop"].missing) == (0.7, 0.9, 0.25)
    assert facts["fix"].low is None and facts["fix"].missing == 0.0
    assert facts["speed_mps"].origin == Origin('column 4 "Speed (km/h)"', "km/h", "the header")
    assert list(facts) == ["lat_deg", "lon_deg", "speed_mps", "fix", "hdop"]


@pytest.mark.parametrize(
    ("head", "unit", "said_by"),
    [
        ("Voltage (V)", "V", "the header"),
        ("Voltage", "V", "a guess: the usual unit"),
        ("Volts", "V", "the header"),
    ],
)
def test_who_says_a_unit(head: str, unit: str, said_by: str) -> None:
    recording = table("0,1000,12", "1,1100,12", head=f"Time (s),RPM,{head}")
    assert recording.origins["voltage_v"] == Origin(f'column 3 "{head}"', unit, said_by)


def test_a_row_of_units_cells_and_positions_say_units_too() -> None:
    rows = table("s,rpm,mV", "0,1000,12000", "1,1100,12000", head="Time,RPM,Voltage")
    assert rows.origins["voltage_v"] == Origin('column 3 "Voltage"', "mV", "the row of units")
    cells = table("0,1000,12 mV", "1,1100,13 mV", head="Time (s),RPM,Voltage")
    assert cells.origins["voltage_v"] == Origin('column 3 "Voltage"', "mV", "the cells")
    moving = [f"{at},{53.1 + at * 1.8e-4:.6f},-1.2,72" for at in range(20)]  # 20 m/s by hand
    seen = table(*moving, head="Time (s),Latitude,Longitude,Speed")
    assert seen.origins["speed_mps"] == Origin(
        'column 4 "Speed"', "km/h", "a guess: it agrees with the positions"
    )
    assert seen.origins["time"] == Origin('column 1 "Time (s)"', "s", "the header")


def test_which_sentences_and_elements_said_it() -> None:
    log = log_of(rmc("120000.00"), gga("120000.00"), rmc("120000.10"), gga("120000.10"))
    found = origins_of(read(log), log)
    assert found["speed_mps"] == Origin("RMC", "kn", "the standard")
    assert found["lat_deg"].source == "RMC, GGA" and found["hdop"].source == "GGA"
    point = '<trkpt lat="53.{at}" lon="-1"><time>2026-07-12T12:00:0{at}Z</time><speed>5</speed></trkpt>'
    text = f'<gpx version="1.0"><trk><trkseg>{"".join(point.format(at=at) for at in range(3))}</trkseg></trk></gpx>'
    track = gpx.read(Source("log.gpx", text.encode()))
    assert origins_of(track, None)["lat_deg"] == Origin("trkpt lat", "°", "the standard")


def test_an_even_log_has_no_jitter_and_a_pause_is_counted() -> None:
    whole = read(clean_log(20))
    even = rate_facts(whole, PAUSE)
    assert even is not None and (even.interval_s, even.jitter_s, even.pauses, even.missing) == (
        0.1,
        0.0,
        0,
        0,
    )
    lines = clean_log(20).split(b"\r\n")
    gap = rate_facts(read(b"\r\n".join(lines[:10] + lines[20:])), PAUSE)  # epochs 5 to 9 are gone
    assert gap is not None and (gap.pauses, gap.missing, gap.longest_s) == (1, 5, 0.6)


def test_jitter_by_hand() -> None:
    """Intervals 1.0, 1.2, 1.0, 0.8 s and so on: half of them 0.2 s off the median."""
    times = [0.0]
    for at in range(40):
        times.append(times[-1] + (1.0, 1.2, 1.0, 0.8)[at % 4])
    rows = [f"{time:.1f},53.1,-1.2,36,3,0.7" for time in times]
    found = rate_facts(table(*rows), PAUSE)
    assert found is not None and found.interval_s == 1.0 and found.jitter_s == pytest.approx(0.2)
    assert rate_facts(table(*rows[:2]), PAUSE) is None


def test_the_strip_shows_the_worst_of_each_stretch() -> None:
    """120 epochs at 10 Hz, two a character: one without fix, one estimated, ten missing, two differential."""
    bodies = []
    for at in range(120):
        quality = {31: "0", 50: "6", 100: "2", 101: "2"}.get(at, "1")
        if not 70 <= at < 80:
            bodies.append(gga(f"1200{at // 10:02d}.{at % 10}0", quality=quality))
    strip = fix_strip(read(log_of(*bodies)), PAUSE)
    assert strip is not None and strip.step_s == pytest.approx(0.2)
    assert strip.text == "3" * 15 + "-" + "3" * 9 + "e" + "3" * 9 + "....." + "3" * 10 + "d" + "3" * 9
    assert strip.legend == (
        ("-", "no fix"), ("e", "estimated without satellites"), ("3", "3D"), ("d", "differential"), (".", "no epochs"),
    )  # fmt: skip
    assert strip.text.isascii()


def test_a_short_log_has_a_character_an_epoch_and_one_without_positions_none() -> None:
    strip = fix_strip(table("0,53.1,-1.2,36,,1", "1,53.1,-1.2,36,,1", "2,53.1,-1.2,36,,1"), PAUSE)
    assert strip is not None and strip.text == "ppp"
    assert fix_strip(table("0,1", "1,2", head="Time (s),RPM"), PAUSE) is None


def test_an_uneven_log_has_no_holes_in_its_strip() -> None:
    rows = [f"{at + (0.45 if at % 2 else 0.0):.2f},53.1,-1.2,36,3,0.7" for at in range(200)]
    strip = fix_strip(table(*rows), PAUSE)
    assert strip is not None and set(strip.text) == {"3"} and len(strip.text) == 60
