# ruff: noqa: E501  # PARTS is a table: one number a line
"""The car as its equations see it: every number of it, with unit, reason, usual range and first guess."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Part:
    """A number of the car.

    Attributes:
        name: field of `Car`. key: in CAR.toml. unit: as CAR.toml shows it; "" for a pure number.
        meaning: in a few words. typical: usual range. possible: outside it is a mistake.
        guess, spread: first guess and its standard uncertainty, before any log; relative where `relative`.
    """

    name: str
    key: str
    unit: str
    meaning: str
    typical: tuple[float, float]
    possible: tuple[float, float]
    guess: float
    spread: float
    relative: bool = True
    given: bool = False  # the user writes it; it is not learned from logs


def _part(
    name: str, key: str, unit: str, meaning: str, typical: tuple[float, float], possible: tuple[float, float],
    guess: float, spread: float, how: Literal["relative", "absolute", "given"] = "relative",
) -> Part:  # fmt: skip
    return Part(name, key, unit, meaning, typical, possible, guess, spread, how != "absolute", how == "given")


# spreads are of cars of this kind, common practice, no source; logs soon outweigh them
PARTS: tuple[Part, ...] = (
    _part("mass_kg", "mass", "kg", "ready to run, pack in", (4, 12), (0.2, 100), 8.0, 0.01),
    _part("rotating_kg", "rotating_mass", "kg", "wheels, shafts and rotor as mass at the tread (I / r²)", (0.2, 0.8), (0, 20), 0.45, 0.18, "absolute"),
    _part("drag_area_m2", "drag_area_m2", "m²", "CdA, what downforce costs included", (0.007, 0.02), (1e-4, 1), 0.012, 0.35),
    _part("rolling", "rolling", "", "rolling resistance over weight", (0.012, 0.03), (0, 0.3), 0.02, 0.006, "absolute"),
    _part("friction", "friction", "", "greatest force of the driven tyres over their load", (0.8, 1.3), (0.05, 5), 1.05, 0.2),
    _part("down_area_m2", "downforce_area_m2", "m²", "ClA that presses the car down", (0.0, 0.015), (-0.2, 1), 0.008, 0.006, "absolute"),
    _part("driven_share", "driven_share", "", "of the load on the driven wheels at rest; 1 with all driven", (0.5, 1), (0.1, 1), 1.0, 0.0, "given"),
    _part("lever", "height_over_wheelbase", "", "height of the centre of mass over the wheelbase", (0.08, 0.2), (0, 1), 0.1, 0.0, "given"),
    _part("kv_rpm_per_v", "motor_kv", "rpm/V", "turns a volt without load", (300, 2500), (10, 20_000), 520.0, 0.03),
    _part("winding_ohm", "motor_resistance_ohm", "ohm", "motor and controller together", (0.004, 0.02), (1e-5, 5), 0.0085, 0.4),
    _part("idle_a", "idle_current", "A", "of the motor without load", (2, 10), (0, 200), 5.0, 1.8, "absolute"),
    _part("bend", "kv_bend", "", "by how much volts a turn change up to 20,000 wheel rpm (timing)", (-0.05, 0.1), (-0.5, 0.5), 0.0, 0.04, "absolute"),
    _part("efficiency", "efficiency", "", "from the motor's shaft to the road, slip included", (0.9, 0.98), (0.2, 1), 0.95, 0.02),
    _part("gear_ratio", "gear_ratio", "", "motor turns a wheel turn", (0.8, 4), (0.05, 50), 1.0, 0.0, "given"),
    _part("wheel_m", "wheel_diameter", "m", "of the driven wheels, standing", (0.06, 0.12), (0.01, 2), 0.088, 0.008),
    _part("growth", "growth", "", "share by which the wheel is larger at 20,000 rpm", (0.0, 0.08), (-0.05, 1), 0.03, 0.03, "absolute"),
    _part("slip", "slip", "", "extra turns, as a share, where all grip is used", (0.01, 0.08), (0, 1), 0.035, 0.025, "absolute"),
    _part("open_v", "pack_voltage", "V", "of the pack at rest, at the launch", (20, 70), (3, 1000), 49.8, 0.01),
    _part("pack_ohm", "pack_resistance_ohm", "ohm", "pack, plugs and leads", (0.003, 0.015), (0, 5), 0.006, 0.4),
    _part("fall_v_per_ah", "pack_fall_v_per_ah", "V/Ah", "of the rest voltage with charge used", (0.4, 1.5), (0, 100), 0.9, 0.4),
    _part("pack_limit_a", "current_limit", "A", "as set: the most that the pack gives", (50, 400), (1, 5000), 240.0, 0.0, "given"),
    _part("limit_scale", "current_limit_scale", "", "what the controller makes of the limit that is set", (0.9, 1.1), (0.3, 3), 1.0, 0.06),
    _part("motor_limit_a", "motor_current_limit", "A", "the most in the motor, at a current limit of 200 A", (100, 600), (1, 10_000), 250.0, 0.35),
    _part("motor_share", "motor_limit_share", "", "how far the motor's limit goes with the limit that is set: 0 not, 1 in step", (0, 1), (-2, 4), 0.5, 0.4, "absolute"),
    _part("ramp_s", "ramp", "s", "from no throttle to full", (0.3, 4), (0, 60), 1.0, 0.0, "given"),
)  # fmt: skip
PART: Mapping[str, Part] = MappingProxyType({part.name: part for part in PARTS})
LIMIT_A = 200.0  # the current limit at which `motor_limit_a` is stated


@dataclass(frozen=True)
class Car:
    """Every number of `PARTS`, SI; and how the throttle goes from nothing to full (share over share of the ramp)."""

    mass_kg: float = PART["mass_kg"].guess
    rotating_kg: float = PART["rotating_kg"].guess
    drag_area_m2: float = PART["drag_area_m2"].guess
    rolling: float = PART["rolling"].guess
    friction: float = PART["friction"].guess
    down_area_m2: float = PART["down_area_m2"].guess
    driven_share: float = PART["driven_share"].guess
    lever: float = PART["lever"].guess
    kv_rpm_per_v: float = PART["kv_rpm_per_v"].guess
    winding_ohm: float = PART["winding_ohm"].guess
    idle_a: float = PART["idle_a"].guess
    bend: float = PART["bend"].guess
    efficiency: float = PART["efficiency"].guess
    gear_ratio: float = PART["gear_ratio"].guess
    wheel_m: float = PART["wheel_m"].guess
    growth: float = PART["growth"].guess
    slip: float = PART["slip"].guess
    open_v: float = PART["open_v"].guess
    pack_ohm: float = PART["pack_ohm"].guess
    fall_v_per_ah: float = PART["fall_v_per_ah"].guess
    pack_limit_a: float = PART["pack_limit_a"].guess
    limit_scale: float = PART["limit_scale"].guess
    motor_limit_a: float = PART["motor_limit_a"].guess
    motor_share: float = PART["motor_share"].guess
    ramp_s: float = PART["ramp_s"].guess
    squeeze: tuple[float, ...] = field(default=(0.0, 1.0))

    def values(self) -> dict[str, float]:
        """Every number by its name."""
        return {item.name: getattr(self, item.name) for item in fields(self) if item.name != "squeeze"}

    def with_values(self, values: Mapping[str, float]) -> Car:
        """The car with some numbers changed."""
        found: dict[str, Any] = {name: float(value) for name, value in values.items()}
        return replace(self, **found)

    def throttle(self, time_s: Array) -> Array:
        """(N,) share of full throttle since the throttle began to open."""
        if self.ramp_s <= 0:
            return np.where(np.asarray(time_s) > 0, 1.0, 0.0)
        at = np.linspace(0.0, 1.0, len(self.squeeze))
        return np.asarray(np.interp(np.asarray(time_s) / self.ramp_s, at, self.squeeze))


assert [item.name for item in fields(Car)][:-1] == [part.name for part in PARTS]
