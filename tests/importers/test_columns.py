"""Headers as loggers and speed controllers write them, and what they mean (by hand)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.importers.columns import KINDS, Meaning, recognise
from speedlog.samples import COLUMN_NAMES

# header, column, unit symbol (None: none stated)
KNOWN = [
    ("Speed (km/h)", "speed_mps", "km/h"),
    ("Speed [mph]", "speed_mps", "mph"),
    ("speed_kmh", "speed_mps", "km/h"),
    ("speedKmh", "speed_mps", "km/h"),
    ("GPS Speed km/h", "speed_mps", "km/h"),
    ("SPEED(KM/H)", "speed_mps", "km/h"),
    ("SPEED MPH", "speed_mps", "mph"),
    ("Speed kph", "speed_mps", "km/h"),
    ("speed_knots", "speed_mps", "kn"),
    ("gps_speed_mph", "speed_mps", "mph"),
    ("GPS Speed (Meters/second)", "speed_mps", "m/s"),
    ("Speed / km/h", "speed_mps", "km/h"),
    ("Ground speed, m/s", "speed_mps", "m/s"),
    ("Speed over ground (kn)", "speed_mps", "kn"),
    ("Geschwindigkeit (km/h)", "speed_mps", "km/h"),
    ("velocity", "speed_mps", None),
    ("GPSSpeed", "speed_mps", None),
    ("mph", "speed_mps", "mph"),
    ("lat", "lat_deg", None),
    ("Latitude (°)", "lat_deg", "°"),
    ("lon", "lon_deg", None),
    ("lng", "lon_deg", None),
    ("long", "lon_deg", None),
    ("Longitude [deg]", "lon_deg", "°"),
    ("Altitude (m)", "alt_m", "m"),
    ("Height (ft)", "alt_m", "ft"),
    ("elevation", "alt_m", None),
    ("Heading (deg)", "track_deg", "°"),
    ("course", "track_deg", None),
    ("COG", "track_deg", None),
    ("bearing", "track_deg", None),
    ("track", "track_deg", None),
    ("fix", "fix", None),
    ("GPS quality", "fix", None),
    ("HDOP", "hdop", None),
    ("sats", "satellites", None),
    ("Satellites", "satellites", None),
    ("nSat", "satellites", None),
    ("C/N0 (dB-Hz)", "cn0_dbhz", None),
    ("SNR", "cn0_dbhz", None),
    ("Speed accuracy (m/s)", "speed_sd_mps", "m/s"),
    ("RPM", "rpm", "rpm"),
    ("eRPM", "rpm", "rpm"),
    ("Motor speed", "rpm", None),
    ("Motor RPM", "rpm", "rpm"),
    ("Speed (rpm)", "rpm", "rpm"),
    ("Drehzahl [1/min]", "rpm", "rpm"),
    ("Current (A)", "current_a", "A"),
    ("Amps", "current_a", "A"),
    ("Battery current", "current_a", None),
    ("Motor current [A]", "current_a", "A"),
    ("vbat_mV", "voltage_v", "mV"),
    ("U [V]", "voltage_v", "V"),
    ("I bat [A]", "current_a", "A"),
    ("Volts", "voltage_v", "V"),
    ("Pack voltage", "voltage_v", None),
    ("Motor temp [F]", "motor_temp_c", "°F"),
    ("motortemp", "motor_temp_c", None),
    ("ESC temp °C", "controller_temp_c", "°C"),
    ("Controller temperature (C)", "controller_temp_c", "°C"),
    ("FET Temp", "controller_temp_c", None),
    ("Temp °C", "temp", "°C"),
    ("Throttle (%)", "throttle", "%"),
    ("duty_cycle", "throttle", None),
    ("Throttle (µs)", "throttle", "µs"),
    ("Forward (m/s^2)", "accel_mps2", "m/s²"),
    ("Long accel (g)", "accel_mps2", "gn"),
    ("longG", "accel_mps2", "gn"),
    ("Time (s)", "time", "s"),
    ("time_ms", "time", "ms"),
    ("(UTC)TimeInMs", "time", "ms"),
    ("timestamp", "time", None),
    ("UTC Time", "time", None),
    ("Date/Time", "time", None),
    ("Time (hh:mm:ss)", "time", None),
    ("Date", "date", None),
    ("Wheel speed (km/h)", "wheel_speed", "km/h"),
]


@pytest.mark.parametrize(("header", "column", "unit"), KNOWN)
def test_a_usual_header_is_understood(header: str, column: str, unit: str | None) -> None:
    found = recognise(header)
    assert found is not None
    assert found.column == column
    assert (found.unit.symbol if found.unit else None) == unit


@pytest.mark.parametrize(
    "header",
    ["Max speed", "Target rpm", "Speed limit", "Vertical speed", "Lap time", "Cell voltage", "PDOP",
     "BEC voltage", "Right (m/s^2)", "Distance (m)", "Temp (battery) °C x", "ch0", "", "  ",
     "dt", "SvTimeNanos",     "Latent heat", "PseudorangeRateMetersPerSecond", "x" * 500],
)  # fmt: skip
def test_a_header_with_an_unknown_word_is_left_alone(header: str) -> None:
    assert recognise(header) is None


def test_every_column_of_the_common_table_is_known_by_its_own_name() -> None:
    for name in COLUMN_NAMES:
        found = recognise(name)
        assert found is not None and found.column == name, name
    assert set(COLUMN_NAMES) | {"time", "date"} == set(KINDS)


def _known(header: str) -> Meaning:
    found = recognise(header)
    assert found is not None, header
    return found


def test_what_a_current_is_of_stands_in_its_traits() -> None:
    assert "pack" in _known("Battery current (A)").traits
    assert "motor" in _known("Motor current (A)").traits
    assert not _known("Current (A)").traits & {"pack", "motor"}
    assert _known("Battery current").rank < _known("Current").rank < _known("Motor current").rank


def test_electrical_rpm_is_told_apart() -> None:
    assert "electrical" in _known("eRPM").traits
    assert "electrical" in _known("Electrical RPM").traits
    assert "electrical" not in _known("RPM").traits


def test_gps_speed_comes_before_any_other() -> None:
    assert _known("GPS speed (km/h)").rank < _known("Speed (km/h)").rank < _known("Vehicle speed (km/h)").rank


def test_a_zone_in_the_header_is_read() -> None:
    assert _known("Time (UTC+2)").zone_minutes == 120
    assert _known("Time (GMT-03:30)").zone_minutes == -210
    assert _known("UTC time").zone_minutes is None and "utc" in _known("UTC time").traits


def test_an_unknown_unit_is_kept_for_the_message() -> None:
    found = _known("Speed (furlongs)")
    assert found.unit is None and found.unknown_unit == "furlongs"


@given(st.text(max_size=120))
def test_any_text_is_a_header_or_none(header: str) -> None:
    found = recognise(header)
    assert found is None or found.column


@given(
    st.sampled_from([known[0] for known in KNOWN]), st.sampled_from(["upper", "lower", "blanks", "quotes"])
)
def test_case_blanks_and_quotes_do_not_matter(header: str, how: str) -> None:
    if how in ("upper", "lower") and header in ("speedKmh", "longG", "(UTC)TimeInMs", "vbat_mV", "GPSSpeed"):
        return  # their capitals are what parts the words
    other = {
        "upper": header.upper(),
        "lower": header.lower(),
        "blanks": f"  {header} ",
        "quotes": f'"{header}"',
    }[how]
    assert _known(other).column == _known(header).column
    assert _known(other).unit == _known(header).unit
