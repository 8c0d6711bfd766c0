"""Motor, pack and traction against worked numbers (references.md topic 10) and plain algebra."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.physics import drive

# V 44.4, R 8 mΩ, I0 6 A, Kv 2000: references.md topic 10, after Hughes, "Electric Motors and Drives"
V, R, I0, KV = 44.4, 0.008, 6.0, 2000.0


def test_the_textbook_motor() -> None:
    ke = drive.torque_constant(KV)
    assert ke == pytest.approx(4.774648e-3, abs=1e-9)
    assert drive.best_current(V, R, I0) == pytest.approx(182.4829, abs=1e-4)
    best = drive.motor_efficiency(V, drive.best_current(V, R, I0), R, I0)
    assert best == pytest.approx(0.935321, abs=1e-6)
    assert best == pytest.approx((1 - np.sqrt(I0 * R / V)) ** 2, abs=1e-12)  # the closed form of the optimum
    assert drive.motor_efficiency(V, 100.0, R, I0) == pytest.approx(0.923063, abs=1e-6)
    omega = (V - 100 * R) / ke
    assert omega / drive.TURNS == pytest.approx(87_200, abs=1e-6)
    assert ke * (100 - I0) == pytest.approx(0.448817, abs=1e-6)
    assert drive.current_at_full_voltage(V, ke * omega, R, 0.0) == pytest.approx(100.0, abs=1e-9)


def test_a_pack_gives_the_power_asked_of_it() -> None:
    # V = 50.4 - 0.006 I (references.md topic 10): at 200 A 49.2 V, so 9840 W
    assert drive.pack_current(50.4, 0.006, 9840.0) == pytest.approx(200.0, abs=1e-9)
    assert drive.pack_current(50.4, 0.0, 504.0) == pytest.approx(10.0, abs=1e-12)
    assert drive.open_voltage(50.4, 0.8, 3600.0) == pytest.approx(49.6)


def test_the_motor_at_the_packs_limit_takes_the_packs_power() -> None:
    motor = drive.current_at_pack_limit(50.4, 20.0, 0.01, 0.006, 100.0)
    power = 100.0 * (50.4 - 0.6)
    assert motor * (20.0 + motor * 0.01) == pytest.approx(power, rel=1e-12)
    assert drive.current_at_pack_limit(50.4, 0.0, 0.01, 0.006, 100.0) == pytest.approx(np.sqrt(power / 0.01))


def test_traction_with_the_load_that_moves_to_the_rear() -> None:
    # by hand: W 80, s 0.6, mu 1, h/L 0.1: 0.6 * 80 / 0.9 = 53.33; the rear axle then carries 48 + 5.33
    rear = drive.traction_limit(80.0, 0.0, 1.0, 0.6, 0.1)
    assert rear == pytest.approx(48.0 / 0.9)
    assert rear == pytest.approx(0.6 * 80 + rear * 0.1)
    assert drive.traction_limit(80.0, 20.0, 1.1, 1.0, 0.1) == pytest.approx(110.0)
    # light front wheels can't hold more than the whole car
    assert drive.traction_limit(80.0, 0.0, 1.0, 0.9, 0.5) == pytest.approx(80.0)


@pytest.mark.parametrize("growth", [0.0, 0.03, 0.2, -0.02])
@pytest.mark.parametrize("speed", [0.0, 5.0, 60.0, 110.0])
def test_turns_of_a_growing_wheel_solve_their_equation(growth: float, speed: float) -> None:
    turns = drive.wheel_rpm(np.array([speed]), 0.044, growth)[0]
    radius = 0.044 * (1 + growth * (turns / 20_000) ** 2)
    assert turns * 2 * np.pi / 60 * radius == pytest.approx(speed, rel=1e-7, abs=1e-9)


def test_turns_of_a_stiff_wheel() -> None:
    # references.md topic 11: 88 mm, 100 m/s: 21702.9468 rpm
    assert drive.wheel_rpm(np.array([100.0]), 0.044, 0.0)[0] == pytest.approx(21702.9468, abs=1e-3)
