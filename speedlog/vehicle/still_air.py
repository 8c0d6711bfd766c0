"""The pass in still air of the standard day, and what wind and air gave.

To first order along the run-up as it was (`physics.roadload.carried`): what less or more drag at each place makes of
the speed in the trap. Each input is moved by its own standard uncertainty, and the changes are added in squares
(JCGM 100:2008, 5.1).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np

from speedlog.physics.air import STANDARD_K, STANDARD_PA, air_density, standard_density, wind_share
from speedlog.results import Pass
from speedlog.results_car import StillAir
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.log import CarLog
from speedlog.vehicle.run_up import Drag, RunUp, drag_of, pull_law_of, run_up_of

_SIDES = {"head": 0.0, "right": 90.0, "tail": 180.0, "left": 270.0}


@dataclass(frozen=True)
class _Inputs:
    """What the correction is made of; one field moved at a time gives its uncertainty."""

    wind_mps: float
    angle_deg: float  # where the wind comes from, against the drive
    log_roughness: float
    drag_share: float
    pull_law: float
    temperature_k: float
    pressure_pa: float
    humidity: float


def still_air_of(pass_: Pass, log: CarLog | None, facts: CarFacts, settings: VehicleSettings) -> StillAir:
    """The still-air standard-day equivalent of a pass."""
    speed, of = _speed(pass_)
    run = run_up_of(pass_, settings)
    if speed is None or run is None:
        return StillAir(why_not=MappingProxyType({"": wording.NO_SPEED}))
    why: dict[str, str] = {}
    windy = facts.wind_speed_mps is not None
    airy = facts.temperature_k is not None and facts.pressure_pa is not None
    if not windy:
        why["wind_gave_mps"] = why["head_wind_mps"] = wording.NO_WIND
    if not airy:
        why["air_gave_mps"] = why["air_density_kgm3"] = wording.NO_AIR
    inputs, spread = _inputs(pass_, facts, settings)
    height = facts.wind_height_m or settings.wind_height_m

    def head(at: _Inputs) -> float:
        share = wind_share(settings.car_height_m, height, math.exp(at.log_roughness))
        return share * at.wind_mps * math.cos(math.radians(at.angle_deg))

    drag = drag_of(log, head(inputs) if windy else 0.0, settings)
    law, law_u = pull_law_of(run, drag, settings)
    inputs, spread = replace(inputs, pull_law=law), replace(spread, pull_law=law_u, drag_share=drag.u_share)

    def by_wind(at: _Inputs) -> float:
        return -_moved(run, drag, at, head(at), 1.0, settings)

    def by_air(at: _Inputs) -> float:
        return -_moved(run, drag, at, 0.0, standard_density() / _density(at), settings)

    def left(at: _Inputs) -> float:
        return speed.value - by_wind(at) - by_air(at)

    def told(made: Callable[[_Inputs], float], own_u: float = 0.0) -> Quantity95:
        return Quantity95.spread(made(inputs), math.hypot(own_u, _u(made, inputs, spread)))

    if not (windy and airy):
        why["equivalent_mps"] = wording.NO_WIND if not windy else wording.NO_AIR
    return StillAir(
        of=of, speed_mps=speed, equivalent_mps=told(left, speed.standard_u) if windy and airy else None,
        wind_gave_mps=told(by_wind) if windy else None, air_gave_mps=told(by_air) if airy else None,
        head_wind_mps=told(head) if windy else None, air_density_kgm3=told(_density) if airy else None,
        standard_density_kgm3=standard_density(), assumed=_assumed(facts, drag, settings),
        why_not=MappingProxyType(why),
    )  # fmt: skip


def _speed(pass_: Pass) -> tuple[Quantity95 | None, Literal["official", "estimate", "peak"] | None]:
    trap, peak = pass_.trap, pass_.peak
    doubtful = pass_.verdict is not None and pass_.verdict.code == "trap_figure_doubtful"
    if trap is not None and trap.official is not None and not doubtful:
        return Quantity95(trap.official.speed_mps, *trap.official.interval95_mps), "official"
    if trap is not None and trap.estimate_mps is not None and trap.interval95_mps is not None:
        return Quantity95(trap.estimate_mps, *trap.interval95_mps), "estimate"
    if peak is not None:
        return Quantity95(peak.estimate_mps, *peak.interval95_mps), "peak"
    return None, None


def _inputs(pass_: Pass, facts: CarFacts, settings: VehicleSettings) -> tuple[_Inputs, _Inputs]:
    """Values, and the standard uncertainty of each in the same fields."""
    wind = facts.wind_speed_mps or 0.0
    turned = (facts.wind_from_deg or 0.0) - pass_.heading_deg
    angle = turned if facts.wind_side is None else _SIDES[facts.wind_side]
    humid = facts.humidity is not None
    values = _Inputs(
        wind, angle, math.log(settings.roughness_m), 1.0, settings.power_law, facts.temperature_k or STANDARD_K,
        facts.pressure_pa or STANDARD_PA, settings.humidity_assumed if facts.humidity is None else facts.humidity,
    )  # fmt: skip
    pressure_u = settings.pressure_assumed_u_pa if facts.pressure_assumed else settings.pressure_u_pa
    spread = _Inputs(
        math.hypot(settings.wind_u_share * wind, settings.wind_u_mps), settings.wind_turn_u_deg, settings.roughness_u,
        settings.drag_u, settings.power_law_u, settings.temperature_u_k, pressure_u,
        settings.humidity_u if humid else 2 * settings.humidity_u,
    )  # fmt: skip
    return values, spread


def _density(at: _Inputs) -> float:
    return air_density(at.temperature_k, at.pressure_pa, float(np.clip(at.humidity, 0.0, 1.0)))


def _moved(
    run: RunUp, drag: Drag, at: _Inputs, head: float, thinner: float, settings: VehicleSettings
) -> float:
    """m/s in the trap, had there been no head wind, and air denser by `thinner`."""
    k = Drag(drag.per_m * max(at.drag_share, 0.05), drag.u_share, drag.from_coast)
    air = run.speed_mps + head
    extra = k.per_m * (air * np.abs(air) - thinner * np.square(run.speed_mps))
    return run.moved(extra, k, max(at.pull_law, 0.0), settings)


def _u(made: Callable[[_Inputs], float], at: _Inputs, spread: _Inputs) -> float:
    """Standard uncertainty: half of what moving each input both ways by its own makes, in squares."""
    total = 0.0
    for name in _Inputs.__dataclass_fields__:
        value, u = getattr(at, name), getattr(spread, name)
        ends = [made(replace(at, **{name: value + sign * u})) for sign in (1.0, -1.0)]
        total += (0.5 * (ends[0] - ends[1])) ** 2
        if name == "angle_deg":  # near straight ahead the cosine has no slope, only a bend
            total += (0.5 * (ends[0] + ends[1]) - made(at)) ** 2
    return math.sqrt(total)


def _assumed(facts: CarFacts, drag: Drag, settings: VehicleSettings) -> tuple[str, ...]:
    found = []
    if facts.wind_speed_mps is not None and facts.wind_height_m is None:
        found.append(f"The wind was taken {settings.wind_height_m:g} m above the ground.")
    if facts.temperature_k is not None and facts.humidity is None:
        found.append("Humidity was not noted: half was taken.")
    if facts.pressure_assumed:
        found.append("Pressure was not noted: that of the standard atmosphere at this elevation was taken.")
    if not drag.from_coast:
        found.append("The logs don't show the car's drag in this pass: that of such cars was taken.")
    return tuple(found)
