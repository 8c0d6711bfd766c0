"""What a gentle start saved in heat and cost in speed, against full pull at once."""

from __future__ import annotations

import math
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from speedlog.physics.roadload import carried
from speedlog.results_car import Ramp
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.run_up import Drag, RunUp, pull_law_of

Array = NDArray[np.float64]


def ramp_of(run: RunUp | None, drag: Drag, stated_s: float | None, settings: VehicleSettings) -> Ramp:
    """The ramp of a pass: its length by the motion where that shows it, else as the user wrote it.

    An even ramp from nothing to the pull L in T goes L T² / 6 far and ends at L T / 2; full pull at once is by
    L² T² / 24 ahead in v²/2 there, and has taken T / sqrt(3) of full heat to the ramp's T / 3. From there on both
    are carried to the trap (`physics.roadload.carried`). The motor's current goes with pull, so ∫pull² dt stands
    for heat.
    """
    if run is None:
        return Ramp(why_not=MappingProxyType({"": wording.NO_TRACE}))
    if not run.launch_in_log:
        return Ramp(why_not=MappingProxyType({"": wording.NO_LAUNCH}))
    pull = run.pull(drag, settings)
    level = float(np.median(pull[run.time_s - run.time_s[0] < settings.ramp_most_s]))
    seen = _seen(run, pull, level, settings)
    shown = seen >= settings.ramp_least_s
    length = seen if shown else stated_s or 0.0
    if not 0 < length < settings.ramp_most_s or not level > 0:
        return Ramp(why_not=MappingProxyType({"": wording.NO_RAMP}))
    length_u = settings.ramp_u_s if shown else settings.ramp_stated_u * length
    law, law_u = pull_law_of(run, drag, settings)
    at = _against(run, drag, pull, level, length, law, settings)
    moved = (
        _against(run, drag, pull, level, length, min(law + law_u, 2.0), settings),
        _against(run, drag, pull, level + settings.ramp_level_u_mps2, length, law, settings),
        _against(run, drag, pull, level, length + length_u, law, settings),
    )
    u = [
        math.hypot(settings.ramp_shape_u * value, *(item[place] - value for item in moved))
        for place, value in enumerate(at)
    ]
    distance = level * length**2 / 6
    return Ramp(
        by_motion=shown, ramp_s=Quantity95.spread(length, length_u),
        distance_m=Quantity95.spread(distance, distance * 2 * length_u / length),
        speed_cost_mps=Quantity95.spread(at[0], u[0]), heat_saved=Quantity95.spread(at[1], u[1]),
    )  # fmt: skip


def _seen(run: RunUp, pull: Array, level: float, settings: VehicleSettings) -> float:
    """Seconds from the very start to full pull, by the motion; 0 where it begins full.

    The estimate first moves at some speed v1; an even ramp is there after sqrt(2 v1 T / L).
    """
    end = int(np.argmax(pull >= settings.ramp_full * level))
    since = float(run.time_s[end] - run.time_s[0])
    length = since
    for _ in range(20 if since > 0 else 0):
        length = since + math.sqrt(2 * max(float(run.speed_mps[0]), 0.0) * length / max(level, 1e-6))
    return length


def _against(
    run: RunUp, drag: Drag, pull: Array, level: float, length_s: float, law: float, settings: VehicleSettings
) -> tuple[float, float]:
    """(m/s lost at the end, share of heat saved) by the ramp."""
    rows = run.travel_m >= level * length_s**2 / 6
    travel, speed, pulled = run.travel_m[rows], run.speed_mps[rows], pull[rows]
    ahead = level**2 * length_s**2 / 24
    gained = carried(
        travel,
        speed,
        run.accel_mps2[rows],
        np.zeros(len(travel)),
        drag.per_m,
        settings.rolling_mps2,
        law,
        ahead,
    )
    quick = np.sqrt(np.square(speed) + 2 * gained)
    less = pulled * (1 - law * gained / np.maximum(np.square(speed), 1.0))
    heat = level**2 * length_s / 3 + _heat(travel, speed, pulled)
    other = level**2 * length_s / math.sqrt(3) + _heat(travel, quick, less)
    return float(quick[-1] - speed[-1]), other / heat - 1.0


def _heat(travel: Array, speed: Array, pull: Array) -> float:
    """∫pull² dt over the same way; at even acceleration a step takes its length over its mean speed."""
    time = 2 * np.diff(travel) / np.maximum(speed[1:] + speed[:-1], 1e-6)
    return float(0.5 * (pull[1:] ** 2 + pull[:-1] ** 2) @ time)
