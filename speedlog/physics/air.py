"""Moist air, pressure at a place, and wind near the ground.

Density by CIPM-2007: Picard, Davis, Gläser, Fujii, "Revised formula for the density of moist air (CIPM-2007)",
Metrologia 45 (2008) 149-155. It is stated for 600 to 1100 hPa and 15 to 27 °C, where it is good to 2.2e-5; a few
1e-5 worse at 40 °C. QNH by the standard atmosphere (ISO 2533, ICAO Doc 7488). Wind by the log law of a neutral
surface layer (e.g. ESDU 82026): u(z) / u(z_ref) = ln(z / z0) / ln(z_ref / z0).
"""

from __future__ import annotations

import math

GAS_CONSTANT = 8.314472  # J/(mol K), CODATA 2006, as CIPM-2007 has it
DRY_AIR_KGPMOL = 0.02896546  # at 400 ppm of CO2
WATER_KGPMOL = 0.01801528
ZERO_CELSIUS_K = 273.15
STANDARD_K, STANDARD_PA = 288.15, 101325.0  # sea level of the standard atmosphere
_LAPSE_KPM = 0.0065
_QNH_POWER = 0.190263  # L R / g of the standard atmosphere


def vapour_saturated(temperature_k: float) -> float:
    """Pa of saturated water vapour, CIPM-2007."""
    t = temperature_k
    return math.exp(1.2378847e-5 * t * t - 1.9121316e-2 * t + 33.93711047 - 6343.1645 / t)


def vapour_share(temperature_k: float, pressure_pa: float, humidity: float) -> float:
    """Mole fraction of water vapour; `humidity` 0 to 1."""
    celsius = temperature_k - ZERO_CELSIUS_K
    enhanced = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * celsius**2
    return humidity * enhanced * vapour_saturated(temperature_k) / pressure_pa


def air_density(temperature_k: float, pressure_pa: float, humidity: float) -> float:
    """kg/m³ of moist air, CIPM-2007; `pressure_pa` at the place, `humidity` 0 to 1."""
    t, x = temperature_k - ZERO_CELSIUS_K, vapour_share(temperature_k, pressure_pa, humidity)
    ratio = pressure_pa / temperature_k
    first = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t * t
    first += (5.707e-6 - 2.051e-8 * t) * x + (1.9898e-4 - 2.376e-6 * t) * x * x
    compressed = 1.0 - ratio * first + ratio**2 * (1.83e-11 - 0.765e-8 * x * x)
    dry = pressure_pa * DRY_AIR_KGPMOL / (compressed * GAS_CONSTANT * temperature_k)
    return dry * (1.0 - x * (1.0 - WATER_KGPMOL / DRY_AIR_KGPMOL))


def standard_density() -> float:
    """kg/m³ at sea level of the standard atmosphere: 15 °C, 101325 Pa, dry; by the same formula."""
    return air_density(STANDARD_K, STANDARD_PA, 0.0)


def standard_pressure(elevation_m: float) -> float:
    """Pa at a height of the standard atmosphere (up to 11 km): p0 (1 - L h / T0)^(1/n)."""
    return float(STANDARD_PA * (1.0 - _LAPSE_KPM * elevation_m / STANDARD_K) ** (1.0 / _QNH_POWER))


def station_pressure(qnh_pa: float, elevation_m: float) -> float:
    """Pa at the place from QNH: p = (QNH^n - p0^n L h / T0)^(1/n), n = L R / g."""
    lost = STANDARD_PA**_QNH_POWER * _LAPSE_KPM * elevation_m / STANDARD_K
    return float(max(qnh_pa**_QNH_POWER - lost, 0.0) ** (1.0 / _QNH_POWER))


def wind_share(height_m: float, measured_at_m: float, roughness_m: float) -> float:
    """Wind at a height over the wind at another, by the log law; 0 at or below the roughness."""
    if height_m <= roughness_m:
        return 0.0
    return math.log(height_m / roughness_m) / math.log(measured_at_m / roughness_m)
