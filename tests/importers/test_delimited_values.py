"""Units seen from positions, throttle, fixes, temperatures: values by hand, both sides of each threshold."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.importers import Source, delimited
from speedlog.importers.delimited_cells import cell_unit, fix_words, position_form, throttle_share, to_numbers
from speedlog.importers.delimited_speed import speed_ratio, step_lengths_m, unit_of_ratio
from speedlog.samples import Recording
from speedlog.settings import ReadSettings
from speedlog.units import UNITS, find_unit

SETTINGS = ReadSettings()


def run(factor: float, speed_mps: float = 40.0, rows: int = 60, head: str = "Speed") -> Recording:
    """A straight run at 10 Hz; places by GeographicLib, speeds in a unit of 1 / factor m/s."""
    line = []
    for at in range(rows):
        spot = Geodesic.WGS84.Direct(53.1, -1.2, 75.0, speed_mps * at * 0.1)
        line.append(f"{at * 0.1:.1f},{spot['lat2']:.8f},{spot['lon2']:.8f},{speed_mps * factor:.3f}")
    text = "\n".join([f"Time (s),Latitude,Longitude,{head}", *line]) + "\n"
    return delimited.read(Source("log.csv", text.encode()))


# readings of one metre per second, NIST SP 811 (2008), Appendix B: 1 km/h = 0.2777778 m/s, 1 mi/h = 0.44704,
# 1 kn = 0.5144444, 1 ft/s = 0.3048
@pytest.mark.parametrize("factor", [1.0, 3.6, 2.23694, 1.94384, 3.28084])
def test_a_speed_without_a_unit_is_told_by_the_positions(factor: float) -> None:
    found = run(factor)
    np.testing.assert_allclose(found.samples["speed_mps"], 40.0, rtol=2e-5)
    assert any("unit" in warning and "positions" in warning for warning in found.warnings)


def test_a_speed_that_fits_no_unit_is_left_out_with_the_way_to_state_it() -> None:
    found = run(1.5)
    assert found.samples["speed_mps"].isna().all()
    assert any("--columns map.toml" in warning and "unit" in warning for warning in found.warnings)


def test_a_car_that_hardly_moves_tells_no_unit() -> None:
    assert run(3.6, SETTINGS.unit_least_mps * 1.1).samples["speed_mps"].notna().all()
    assert run(3.6, SETTINGS.unit_least_mps * 0.9).samples["speed_mps"].isna().all()


def test_too_few_windows_tell_no_unit() -> None:
    # at 10 Hz a window of a second takes 11 rows, and each further row makes one more window
    assert run(3.6, rows=10 + SETTINGS.unit_least_windows).samples["speed_mps"].notna().all()
    assert run(3.6, rows=9 + SETTINGS.unit_least_windows).samples["speed_mps"].isna().all()


def test_the_tolerance_of_a_ratio() -> None:
    inside, outside = 1 + SETTINGS.unit_tolerance * 0.95, 1 + SETTINGS.unit_tolerance * 1.05
    near = unit_of_ratio(3.6 * inside, SETTINGS)
    assert near is not None and near.symbol == "km/h"
    assert unit_of_ratio(3.6 * outside, SETTINGS) is None
    assert unit_of_ratio(1.0, SETTINGS) == find_unit("m/s", "speed")


def test_a_stated_unit_that_the_positions_deny_is_kept_with_a_warning() -> None:
    found = run(2.23694, head="Speed (km/h)")
    np.testing.assert_allclose(found.samples["speed_mps"], 40 * 2.23694 / 3.6, rtol=1e-5)
    assert any("agree with mph" in warning for warning in found.warnings)
    assert not run(3.6, head="Speed (km/h)").warnings


def test_speed_alone_without_a_unit_is_refused() -> None:
    text = "Time (s),Speed\n" + "\n".join(f"{at * 0.1:.1f},72" for at in range(30))
    with pytest.raises(SpeedlogError, match="unit is not stated"):
        delimited.read(Source("log.csv", text.encode()))


def test_gaps_and_missing_values_do_not_bend_the_ratio() -> None:
    time_ns = (np.arange(200) * 100_000_000).astype(np.int64)
    time_ns[100:] += 60_000_000_000  # a minute without rows, in which the car came back
    lat = 53.1 + np.concatenate([np.arange(100), np.arange(100)]) * 4 / 111_264
    speed = np.full(200, 40 * 3.6)
    speed[10:30] = np.nan
    ratio = speed_ratio(time_ns, lat, np.full(200, -1.2), speed, SETTINGS)
    assert ratio == pytest.approx(3.6, rel=2e-3)
    assert speed_ratio(time_ns[:1], lat[:1], lat[:1], speed[:1], SETTINGS) is None
    assert speed_ratio(np.zeros(200, dtype=np.int64), lat, lat, speed, SETTINGS) is None


def test_step_lengths_agree_with_geographiclib() -> None:
    lat, lon = np.array([53.1, 53.101, 53.1, -33.5]), np.array([-1.2, -1.199, -1.2, -1.2])
    steps = step_lengths_m(lat[:3], lon[:3])
    wanted = [Geodesic.WGS84.Inverse(lat[at], lon[at], lat[at + 1], lon[at + 1])["s12"] for at in range(2)]
    np.testing.assert_allclose(steps, wanted, rtol=1e-6)


@pytest.mark.parametrize(
    "unit", [unit for unit in UNITS if unit.kind in ("speed", "temperature", "voltage", "current")]
)
def test_numbers_come_back_through_every_unit(unit: object) -> None:
    from speedlog.units import Unit

    assert isinstance(unit, Unit)
    column = {"speed": "Speed", "temperature": "Motor temp", "voltage": "Voltage", "current": "Current"}[
        unit.kind
    ]
    name = {
        "speed": "speed_mps",
        "temperature": "motor_temp_c",
        "voltage": "voltage_v",
        "current": "current_a",
    }[unit.kind]
    wanted = [20.0, 35.5, 61.25]
    cells = [repr(unit.from_si(value)) for value in wanted]
    text = f"Time (s),{column} ({unit.symbol})\n" + "\n".join(
        f"{at / 10},{cell}" for at, cell in enumerate(cells)
    )
    found = delimited.read(Source("log.csv", (text + "\n").encode("utf-8")))
    np.testing.assert_allclose(found.samples[name], wanted, rtol=1e-12)


@pytest.mark.parametrize(
    ("cells", "unit", "wanted", "told"),
    [
        ([0, 50, 100], None, [0, 0.5, 1], "percent"),
        ([0, 0.5, 1], None, [0, 0.5, 1], "share"),
        ([1000, 1500, 2000], None, [0, 0.5, 1], "pulse"),
        ([0, 50, 100], "%", [0, 0.5, 1], ""),
        ([0, 128, 255], None, None, ""),
        ([np.nan, np.nan], None, [np.nan, np.nan], ""),
    ],
)
def test_throttle(cells: list[float], unit: str | None, wanted: list[float] | None, told: str) -> None:
    stated = find_unit(unit, "share") if unit else None
    share, said = throttle_share(np.array(cells, dtype=float), stated, None, None, SETTINGS)
    assert told in said and bool(said) == bool(told)
    assert (share is None) == (wanted is None)
    if share is not None and wanted is not None:
        np.testing.assert_allclose(share, wanted)


@pytest.mark.parametrize(
    ("cells", "quality", "wanted"),
    [
        (
            ["0", "1", "2", "4", "5", "6"],
            True,
            ["none", None, "differential", "rtk_fixed", "rtk_float", "dead_reckoned"],
        ),
        (["1", "2", "3"], False, ["none", "2d", "3d"]),  # NMEA 0183, GSA mode
        (["0", "1"], False, ["none", None]),  # a flag
        (["A", "V"], False, [None, "none"]),  # NMEA 0183, RMC status
        (
            ["3D", "2D", "No Fix", "DGPS", "RTK float"],
            False,
            ["3d", "2d", "none", "differential", "rtk_float"],
        ),
    ],
)
def test_fixes(cells: list[str], quality: bool, wanted: list[str | None]) -> None:
    found, unread = fix_words(pd.Series(cells), quality, None)
    assert [None if item is None else str(item) for item in found] == wanted
    assert unread == 0


def test_a_fix_that_says_none_takes_the_position_away() -> None:
    text = "Time (s),Lat,Lon,Fix\n0.0,53.1,-1.2,3\n0.1,53.10001,-1.2,1\n0.2,53.10002,-1.2,3\n"
    assert list(delimited.read(Source("log.csv", text.encode())).valid) == [True, False, True]


def test_forms_of_latitudes() -> None:
    assert position_form(np.array([53.1, 53.2])) == ""
    assert position_form(np.array([139.0, 139.1])) == ""  # swapped rather than anything else
    assert position_form(np.array([5306.5, 5306.6])) == "minutes"
    assert position_form(np.array([531000000.0, 531000010.0])) == "1e-7"
    assert position_form(np.array([np.nan])) == ""


def test_a_unit_in_the_cells_only_where_they_agree() -> None:
    assert cell_unit(["72 km/h", "73 km/h"], "speed") == find_unit("km/h", "speed")
    assert cell_unit(["72 km/h", "73 mph"], "speed") is None
    assert cell_unit(["72", "73 km/h"], "speed") is None


@given(st.floats(-1e9, 1e9, allow_nan=False), st.sampled_from([".", ","]))
def test_any_number_as_text(value: float, decimal: str) -> None:
    text = f"{value:.6f}".replace(".", decimal)
    numbers, broken = to_numbers(pd.Series([text, "--", "x"]), decimal)
    assert numbers[0] == pytest.approx(value, abs=1e-6) and np.isnan(numbers[1]) and np.isnan(numbers[2])
    assert broken.tolist() == [False, False, True]


def test_a_speed_that_tops_out_for_most_of_a_log_still_shows_its_unit() -> None:
    """Constant acceleration along a meridian; the logged speed, in km/h, stops at 150."""
    from speedlog.importers.delimited_speed import speed_ratio, unit_of_ratio
    from speedlog.settings import ReadSettings

    time_s = np.arange(0, 20, 0.1)
    metres = 2.5 * time_s**2
    lat = 50 + metres / 111_229  # metres in a degree there, by WGS 84's meridian radius
    speed = np.minimum(5.0 * time_s * 3.6, 150.0)
    ratio = speed_ratio((time_s * 1e9).astype(np.int64), lat, np.full(len(lat), 7.0), speed, ReadSettings())
    assert ratio is not None
    unit = unit_of_ratio(ratio, ReadSettings())
    assert unit is not None and unit.symbol == "km/h"
