"""One sentence at a time: the sentences worked in references.md (topic 1) and pynmeagps as oracle."""

from __future__ import annotations

import datetime as dt
import math

import pynmeagps
import pytest

from speedlog.importers.nmea_sentence import Quality, SentenceError, SentenceFields, read_sentence
from tests.importers.nmea_text import framed

S = 1_000_000_000
KNOT = 1852 / 3600  # m/s, exactly (NIST SP 811)

# Printed sentences: references.md topic 1, their checksums recomputed there by two programs
TUTORIAL_RMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"
LINE_RMC = "$GNRMC,120000.04,A,5306.07673,N,00111.52410,W,190.497,75.0,010524,,,A,V*1B"
PRINTED = [
    TUTORIAL_RMC,
    LINE_RMC,
    "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    "$GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A*7B",
    "$GNGGA,001043.00,4404.14036,N,12118.85961,W,1,12,0.98,1113.0,M,-21.3,M*47",
    "$GNGLL,4404.14012,N,12118.85993,W,001037.00,A,A*67",
    "$GPGNS,112257.00,3844.24011,N,00908.43828,W,AN,03,10.5,,*57",
    "$GNGGA,120000.04,5306.07673,N,00111.52410,W,1,12,0.70,31.2,M,47.1,M,,*67",
]


def fields(text: str) -> SentenceFields:
    found = read_sentence(text)
    assert found is not None
    return found


def test_tutorial_rmc() -> None:
    found = fields(TUTORIAL_RMC)  # 48 deg 7.038 min, 11 deg 31 min; 12:35:19; 22.4 kn (references.md)
    assert found.lat_deg == pytest.approx(48 + 7.038 / 60, abs=1e-12)
    assert found.lon_deg == pytest.approx(11 + 31 / 60, abs=1e-12)
    assert found.speed_mps == pytest.approx(11.523556, abs=1e-6)
    assert found.time_ns == ((12 * 60 + 35) * 60 + 19) * S
    assert (found.date, found.track_deg) == (dt.date(1994, 3, 23), 84.4)
    assert found.quality is Quality.SINGLE  # status A, no mode field before NMEA 2.3


def test_line_rmc_is_valid_whatever_the_navigational_status() -> None:
    found = fields(LINE_RMC)  # references.md: 98.000123 m/s at 53.10127883, -1.19206833
    assert found.speed_mps == pytest.approx(98.000123, abs=5e-7)
    assert (found.lat_deg, found.lon_deg) == pytest.approx((53.10127883, -1.19206833), abs=5e-9)
    assert found.quality is Quality.SINGLE and found.place_digits == 5
    assert found.time_ns == 43_200 * S + 40_000_000


@pytest.mark.parametrize("text", PRINTED)
def test_values_against_pynmeagps(text: str) -> None:
    oracle = pynmeagps.NMEAReader.parse(text)
    found = fields(text)
    assert (found.lat_deg, found.lon_deg) == pytest.approx((oracle.lat, oracle.lon), abs=1e-9)
    time = oracle.time
    assert found.time_ns == ((time.hour * 60 + time.minute) * 60 + time.second) * S + time.microsecond * 1000
    if found.kind == "RMC":
        assert found.speed_mps == pytest.approx(oracle.spd * KNOT, abs=1e-9) and found.date == oracle.date
    if found.kind in ("GGA", "GNS"):
        assert (found.hdop, found.satellites) == (oracle.HDOP, oracle.numSV)


def test_sentences_without_position() -> None:
    assert fields("$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48").speed_mps == pytest.approx(5.5 * KNOT)
    assert fields("$GPVTG,220.86,T,,M,2.550,N,4.724,K,A*34").track_deg == 220.86
    gsa = fields("$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39")
    assert (gsa.dimension, gsa.hdop) == (3, 1.3)
    assert fields("$GNGSA,A,3,80,71,73,79,69,,,,,,,,1.83,1.09,1.47*17").hdop == 1.09
    zda = fields("$GPZDA,160012.71,11,03,2004,-1,00*7D")
    assert (zda.date, zda.two_digit_year) == (dt.date(2004, 3, 11), False)
    assert zda.time_ns == (16 * 3600 + 12) * S + 710_000_000
    gsv = fields("$GPGSV,2,1,08,01,40,083,46,02,17,308,41,12,07,344,39,14,22,228,45*75")
    assert gsv.cn0 == (("GP01", 46.0), ("GP02", 41.0), ("GP12", 39.0), ("GP14", 45.0))
    assert fields("$GPGST,182141.000,15.5,15.3,7.2,21.8,0.9,0.5,0.8*54").time_ns == 66_101 * S


def test_old_vtg_of_four_bare_numbers_and_vtg_in_kmh_only() -> None:
    assert fields(framed("GPVTG,054.7,034.4,005.5,010.2")).speed_mps == pytest.approx(5.5 * KNOT)
    assert fields(framed("GPVTG,54.7,T,,M,,N,36.0,K,A")).speed_mps == pytest.approx(10.0)  # 36 km/h, by hand
    assert math.isnan(fields(framed("GPVTG,,,,,,,,,N")).speed_mps)


@pytest.mark.parametrize(
    ("body", "quality"),
    [
        ("GNRMC,120000.08,V,,,,,,,010524,,,N,V", Quality.NONE),
        ("GNRMC,120000.12,A,5306.07673,N,00111.52410,W,190.497,75.0,010524,,,E,V", Quality.DEAD_RECKONED),
        ("GNRMC,120000,V,5306.0,N,00111.5,W,1,75.0,010524,,,E", Quality.DEAD_RECKONED),
        ("GNRMC,120000,A,5306.0,N,00111.5,W,1,75.0,010524,,,N", Quality.NONE),
        ("GNRMC,120000,A,5306.0,N,00111.5,W,1,75.0,010524,,,D", Quality.DIFFERENTIAL),
        ("GNRMC,120000,A,5306.0,N,00111.5,W,1,75.0,010524,,,R", Quality.RTK_FIXED),
        ("GNRMC,120000,A,5306.0,N,00111.5,W,1,75.0,010524,,,F", Quality.RTK_FLOAT),
        ("GNRMC,120000,V,5306.0,N,00111.5,W,1,75.0,010524,,", Quality.NONE),
        ("GPGGA,120000,,,,,0,00,99.99,,,,,,", Quality.NONE),
        ("GPGGA,120000,5306.0,N,00111.5,W,2,08,0.9,1.0,M,,M,,", Quality.DIFFERENTIAL),
        ("GPGGA,120000,5306.0,N,00111.5,W,3,08,0.9,1.0,M,,M,,", Quality.SINGLE),
        ("GPGGA,120000,5306.0,N,00111.5,W,4,08,0.9,1.0,M,,M,,", Quality.RTK_FIXED),
        ("GPGGA,120000,5306.0,N,00111.5,W,5,08,0.9,1.0,M,,M,,", Quality.RTK_FLOAT),
        ("GPGGA,120000,5306.0,N,00111.5,W,6,08,0.9,1.0,M,,M,,", Quality.DEAD_RECKONED),
        ("GPGLL,5306.0,N,00111.5,W,120000", None),
        ("GPGLL,5306.0,N,00111.5,W,120000,V", Quality.NONE),
        ("GNGNS,120000,5306.0,N,00111.5,W,ANNN,08,0.9,1.0,,,", Quality.SINGLE),
        ("GNGNS,120000,5306.0,N,00111.5,W,NNNN,08,0.9,1.0,,,", Quality.NONE),
        ("GNGNS,120000,5306.0,N,00111.5,W,RDNN,08,0.9,1.0,,,", Quality.RTK_FIXED),
        ("GPGNS,120000,,,,,,8,,,,,", None),
    ],
)
def test_quality(body: str, quality: Quality | None) -> None:
    # codes: references.md topic 1, "GGA quality", "Mode letter" and its pitfalls
    assert fields(framed(body)).quality is quality


def test_an_empty_position_is_missing_and_never_zero() -> None:
    found = fields("$GNRMC,120000.08,V,,,,,,,010524,,,N,V*10")
    assert math.isnan(found.lat_deg) and math.isnan(found.lon_deg) and math.isnan(found.speed_mps)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("$GLGSV,3,3,09,88,07,028*51", "wrong checksum"),  # as printed in the gpsd text; its XOR is 7D
        ("$GPTXT,01,01,02,hello*00", "wrong checksum"),
        (framed("GNRMC,256199.00,A,5306.0,N,00112.0,W,1,75,150624,,,A"), "no such time of day"),
        (framed("GNRMC,235960.00,A,5306.0,N,00112.0,W,1,75,311216,,,A"), "leap second"),
        (framed("GNRMC,12:00:00,A,5306.0,N,00112.0,W,1,75,150624,,,A"), "not a time"),
        (framed("GNRMC,120000,A,5360.0,N,00112.0,W,1,75,150624,,,A"), "60 minutes"),
        (framed("GNRMC,120000,A,5306.0,X,00112.0,W,1,75,150624,,,A"), "not a position"),
        (framed("GNRMC,120000,A,5306.0,N,,,1,75,150624,,,A"), "half a position"),
        (framed("GNRMC,120000,A,5306.0,N,00112.0,W,nan,75,150624,,,A"), "speed is not a number"),
        (framed("GNRMC,120000,A,5306.0,N,00112.0,W,1_0,75,150624,,,A"), "speed is not a number"),
        (framed("GNGGA,120000,5306.0,N,00112.0,W,1,x,0.8,1,M,,M,,"), "satellites is not a number"),
    ],
)
def test_what_is_refused(text: str, reason: str) -> None:
    with pytest.raises(SentenceError, match=reason):
        read_sentence(text)


def test_impossible_dates_are_no_dates() -> None:
    # references.md topic 1: "310299 must be rejected"; 2208-1 is from a real receiver after a rollover
    for date in ("310299", "2208-1", "000000"):
        found = fields(framed(f"GNRMC,120000,A,5306.0,N,00112.0,W,1,75,{date},,,A"))
        assert found.date is None and found.bad_date
    blank = fields(framed("GNRMC,120000,A,5306.0,N,00112.0,W,1,75,,,,A"))
    assert blank.date is None and not blank.bad_date


def test_two_digit_years_turn_at_70() -> None:
    years = {
        text: fields(framed(f"GNRMC,120000,A,,,,,1,75,0106{text},,,A")).date
        for text in ("69", "70", "99", "00")
    }
    assert {text: date.year for text, date in years.items() if date} == {
        "69": 2069,
        "70": 1970,
        "99": 1999,
        "00": 2000,
    }


def test_other_sentences_tell_nothing() -> None:
    assert read_sentence(framed("GPTXT,01,01,02,ok")) is None
    assert read_sentence(framed("SDDBT,7.8,f,2.4,M,1.3,F")) is None


def test_a_day_without_end_is_no_date() -> None:
    """More digits than a machine word holds: found by fuzzing."""
    assert read_sentence(framed(f"GPZDA,160012.71,{'9' * 30},03,2004,00,00")).date is None
