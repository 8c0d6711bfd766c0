"""The simulated drive against the worked numbers of references.md, topic 10 (standard DC machine)."""

from __future__ import annotations

import math

import pytest

from speedlog.demo.car import Air, Car, ElectricDrive, Motor, Pack, Tow

MOTOR = Motor(kv_rpm_per_v=2000.0, resistance_ohm=0.008, idle_current_a=6.0)


def test_torque_constant_is_the_back_emf_constant() -> None:
    # references.md topic 10: Kv 2000 -> 4.774648 mN m/A
    assert MOTOR.ke == pytest.approx(4.774648e-3, abs=1e-9)


def test_current_and_torque_at_100_a() -> None:
    # references.md topic 10: 44.4 V, 8 mOhm, at 100 A: 87200 rpm, 0.448817 N m, out 4098.4 W
    omega = 87_200 * 2 * math.pi / 60
    assert MOTOR.current_at(44.4, omega) == pytest.approx(100.0, abs=1e-6)
    assert MOTOR.torque(100.0) == pytest.approx(0.448817, abs=1e-6)
    assert MOTOR.torque(100.0) * omega == pytest.approx(4098.4, abs=0.05)


def test_pack_sags_by_current_and_charge() -> None:
    # topic 10: V = 50.4 - 0.006 I; here besides 0.5 V for half an ampere-hour at 1 V/Ah
    drive = ElectricDrive(pack=Pack(50.4, 0.006, 1.0))
    point = drive.at(30.0, 1.0, 1800.0, 1e9)
    assert point.pack_voltage_v == pytest.approx(50.4 - 0.5 - 0.006 * point.pack_current_a, abs=1e-9)


@pytest.mark.parametrize("speed", [0.0, 20.0, 60.0, 90.0])
def test_power_balance(speed: float) -> None:
    """What leaves the pack is what the motor turns and what becomes heat (conservation of energy)."""
    drive = ElectricDrive()
    point = drive.at(speed, 1.0, 0.0, 1e9)
    emf = drive.motor.ke * speed / drive.wheel_radius_m * drive.gear_ratio
    loss = (drive.motor.resistance_ohm + drive.controller_ohm) * point.motor_current_a**2
    assert point.pack_voltage_v * point.pack_current_a == pytest.approx(
        emf * point.motor_current_a + loss, rel=1e-9
    )


def test_each_limit_holds() -> None:
    drive = ElectricDrive(phase_limit_a=260.0, pack_limit_a=150.0)
    slow, fast = drive.at(5.0, 1.0, 0.0, 1e9), drive.at(75.0, 1.0, 0.0, 1e9)
    assert slow.motor_current_a == pytest.approx(drive.phase_limit_a)
    assert fast.pack_current_a == pytest.approx(drive.pack_limit_a)
    assert drive.at(5.0, 1.0, 0.0, 30.0).force_n == pytest.approx(30.0)  # grip
    assert drive.at(5.0, 0.5, 0.0, 1e9).motor_current_a == pytest.approx(drive.phase_limit_a / 2)
    assert drive.at(5.0, 0.0, 0.0, 1e9).force_n == 0.0


def test_full_duty_ends_at_the_no_load_speed() -> None:
    """At the speed where back-EMF equals the pack's open voltage no current flows."""
    drive = ElectricDrive()
    top = drive.pack.open_v / drive.motor.ke * drive.wheel_radius_m / drive.gear_ratio
    assert drive.at(top, 1.0, 0.0, 1e9).motor_current_a == pytest.approx(0.0, abs=1e-6)
    assert drive.at(top * 0.9, 1.0, 0.0, 1e9).force_n > 0


def test_drag_and_rolling_at_100_mps() -> None:
    # references.md topic 9: power at the wheel at 100 m/s: 7200 + 156.9064 W with these figures
    car = Car(mass_kg=8.0, drag_area_m2=0.012, rolling=0.02)
    assert car.resistance_n(100.0, 0.0, 1.2) * 100 == pytest.approx(7356.9064, abs=1e-4)


def test_head_wind_counts_as_air_speed() -> None:
    car = Car()
    assert car.resistance_n(90.0, 4.0, 1.2) - car.resistance_n(94.0, 0.0, 1.2) == pytest.approx(
        0.0, abs=1e-12
    )


def test_gusts_add_to_the_mean_wind() -> None:
    air = Air(1.2, 3.0, ((2.0, 0.25, 0.0),))
    assert air.head_at(0.0) == pytest.approx(3.0)
    assert air.head_at(1.0) == pytest.approx(5.0)  # a quarter of a 4 s period: the sine is at 1


def test_tow_pulls_evenly() -> None:
    assert Tow(50.0).at(80.0, 1.0, 0.0, 1e9).force_n == 50.0
    assert Tow(50.0).at(80.0, 1.0, 0.0, 20.0).force_n == 20.0
