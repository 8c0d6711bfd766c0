"""Air and wind: CIPM-2007 against published values, the standard atmosphere, the log law by hand."""

from __future__ import annotations

import math

import pytest

from speedlog.physics.air import (
    air_density,
    standard_density,
    standard_pressure,
    station_pressure,
    vapour_saturated,
    wind_share,
)

MMHG = 101325 / 760


def test_density_against_a_published_value() -> None:
    # Gupta, "Mass Metrology", appendix (references.md, topic 8): 10 °C, 730 mmHg, 40 %: 1.19569
    assert air_density(283.15, 730 * MMHG, 0.40) == pytest.approx(1.19569, abs=1e-5)
    # the same table, outside the formula's 15 to 27 °C: 40 °C, 760 mmHg, 40 %: 1.11497
    assert air_density(313.15, 760 * MMHG, 0.40) == pytest.approx(1.11497, abs=1e-4)


@pytest.mark.parametrize(
    ("celsius", "pressure", "humidity", "cipm", "other"),
    [  # references.md, topic 8: CIPM-2007, and CoolProp 8.0.0 (1 / HAPropsSI "Vha"), run there, not here
        (20, 101325, 0.5, 1.199314, 1.199359),
        (15, 101325, 0.0, 1.225521, 1.225567),
        (35, 101325, 0.5, 1.133772, 1.133816),
        (30, 84000, 0.2, 0.961837, 0.961870),
    ],
)
def test_density_against_another_program(celsius, pressure, humidity, cipm, other) -> None:
    found = air_density(celsius + 273.15, pressure, humidity)
    assert found == pytest.approx(cipm, abs=1.5e-6)
    assert found == pytest.approx(other, rel=5e-5)


def test_density_falls_as_the_published_sensitivities_say() -> None:
    # references.md, topic 8, at 20 °C: -0.369 % a kelvin, +0.0992 % a hPa, -0.0873 % for 10 % of humidity
    at = air_density(293.15, 101325, 0.5)
    assert air_density(294.15, 101325, 0.5) / at - 1 == pytest.approx(-0.00369, abs=2e-5)
    assert air_density(293.15, 101425, 0.5) / at - 1 == pytest.approx(0.000992, abs=2e-6)
    assert air_density(293.15, 101325, 0.6) / at - 1 == pytest.approx(-0.000873, abs=2e-6)


def test_saturated_vapour_boils_at_one_atmosphere() -> None:
    # steam tables: 2339 Pa at 20 °C (IAPWS-IF97: 2339.3 Pa)
    assert vapour_saturated(293.15) == pytest.approx(2339.3, rel=1e-3)


def test_standard_atmosphere() -> None:
    # ISO 2533: 1.2250 kg/m³ at sea level; 89876.3 Pa at 1000 m geometric, 898.74 hPa geopotential
    assert standard_density() == pytest.approx(1.2250, abs=6e-4)
    assert standard_pressure(0.0) == pytest.approx(101325.0)
    assert standard_pressure(1000.0) == pytest.approx(89874.6, rel=2e-5)


def test_station_pressure_is_the_inverse_of_reducing_to_sea_level() -> None:
    assert station_pressure(101325.0, 0.0) == pytest.approx(101325.0)
    # in the standard atmosphere QNH is 1013.25 hPa at every height
    assert station_pressure(101325.0, 1000.0) == pytest.approx(standard_pressure(1000.0))
    # near the ground a hPa is 8.3 m (ICAO Doc 7488: 12.013 Pa/m at sea level)
    assert 101600.0 - station_pressure(101600.0, 31.0) == pytest.approx(31 * 12.013, rel=0.01)


def test_wind_near_the_ground() -> None:
    # by hand: ln(0.2 / 0.01) / ln(2 / 0.01) = 2.99573 / 5.29832
    assert wind_share(0.2, 2.0, 0.01) == pytest.approx(math.log(20) / math.log(200))
    assert wind_share(2.0, 2.0, 0.03) == 1.0
    assert wind_share(0.01, 2.0, 0.03) == 0.0


@pytest.mark.parametrize("celsius", [15.0, 20.0, 27.0])
@pytest.mark.parametrize("humidity", [0.0, 0.5, 0.9])
def test_density_against_coolprop(celsius: float, humidity: float) -> None:
    """CoolProp's humid air (ASHRAE RP-1485), where it is installed: the two formulas differ by 5 parts in 100,000."""
    coolprop = pytest.importorskip("CoolProp.CoolProp", reason="CoolProp is not installed")
    kelvin, pascal = celsius + 273.15, 100_500.0
    mixing = coolprop.HAPropsSI("W", "T", kelvin, "P", pascal, "R", humidity)
    other = (1 + mixing) / coolprop.HAPropsSI("Vda", "T", kelvin, "P", pascal, "R", humidity)
    assert air_density(kelvin, pascal, humidity) == pytest.approx(other, rel=1e-4)
