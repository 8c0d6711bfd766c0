"""What a push makes of the speed further on, against closed forms and the simulator's own equations."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from speedlog.demo.car import Air
from speedlog.demo.truth import drive_pass
from speedlog.physics.roadload import carried
from tests.vehicle.simulated import BEAMS, CAR, DRIVER

K = 0.0009


def steady(speed: float, length: float = 20_000.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    along = np.linspace(0, length, 4000)
    return along, np.full(4000, speed), np.zeros(4000)


@pytest.mark.parametrize(("law", "share"), [(0.0, 1.0), (1.0, 2 / 3)])
def test_head_wind_at_terminal_speed(law: float, share: float) -> None:
    # references.md, topic 8: force-limited v = vT - w exactly; power-limited vT - 2 w / 3 to first order
    along, speed, accel = steady(100.0)
    wind = 0.01
    extra = np.full(len(along), K * ((100.0 + wind) ** 2 - 100.0**2))
    gained = carried(along, speed, accel, extra, K, 0.0, law)
    assert gained[-1] / 100.0 == pytest.approx(share * wind, rel=1e-4)


def test_constant_force_decays_with_drag_alone() -> None:
    # dE/dx = extra - 2 k E: E = extra / (2 k) (1 - exp(-2 k x)), and a start fades as exp(-2 k x)
    along, speed, accel = steady(80.0, 700.0)
    gained = carried(along, speed, accel, np.full(len(along), 0.2), K, 0.2, 0.0, start=5.0)
    fade = math.exp(-2 * K * 700.0)
    assert gained[-1] == pytest.approx(0.2 / (2 * K) * (1 - fade) + 5.0 * fade, rel=1e-9)


@pytest.mark.parametrize(("density", "head"), [(1.225, 0.0), (1.195, 1.5), (1.195, -1.5)])
def test_against_the_simulator_driven_twice(density: float, head: float) -> None:
    """The same car in other air; between constant force and constant power the answer is bracketed."""
    base = drive_pass(CAR, DRIVER, Air(1.195, 0.0), BEAMS)
    other = drive_pass(CAR, replace(DRIVER), Air(density, head), BEAMS)
    rows = (base.time_s > 0.05) & (base.travel_m <= 535.0)
    along, speed, accel = base.travel_m[rows][::20], base.speed_mps[rows][::20], base.accel_mps2[rows][::20]
    k, r = (
        0.5 * 1.195 * CAR.drag_area_m2 / CAR.inertia_kg,
        CAR.rolling * CAR.mass_kg * 9.80665 / CAR.inertia_kg,
    )
    extra = k * (speed**2 - density / 1.195 * (speed + head) * np.abs(speed + head))
    found = [carried(along, speed, accel, extra, k, r, law)[-1] / speed[-1] for law in (1.0, 0.0)]
    true = abs(other.trap_mps - base.trap_mps)
    assert abs(found[0]) * 0.97 < true < abs(found[1]) * 1.03
    assert abs(found[1]) < 1.5 * abs(found[0])
