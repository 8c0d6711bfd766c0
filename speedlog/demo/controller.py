"""A speed controller that logs motor turns, current, voltage, heat and throttle on its own clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from speedlog.demo.car import Car
from speedlog.demo.noise import Array, rounded
from speedlog.demo.truth import Truth


@dataclass(frozen=True)
class Controller:
    """Its make-up.

    Attributes:
        on_s: true time at which its clock read zero (s since launch; before it, so negative).
        fast_ppm: its clock gains so many parts in a million.
        pole_pairs: above 1, the log counts electrical turns.
        bursts: wheelspin, as (true start s, length s, extra turns as a share).
        delay_s: every value is late by this.
    """

    rate_hz: float = 20.0
    on_s: float = -95.0
    fast_ppm: float = 20.0
    rpm_noise: float = 0.0015
    rpm_step: float = 10.0
    pole_pairs: int = 1
    bursts: tuple[tuple[float, float, float], ...] = ()
    delay_s: float = 0.0
    before_s: float = 2.0
    after_s: float = 2.0


@dataclass(frozen=True, eq=False)
class ControllerLog:
    """What it logged, before it becomes text. Arrays are (N,). `clock_s` is its own clock."""

    controller: Controller
    true_s: Array
    clock_s: Array
    rpm: Array
    current_a: Array
    voltage_v: Array
    motor_temp_c: Array
    controller_temp_c: Array
    throttle: Array
    spinning: Array


def log_controller(
    rng: np.random.Generator, truth: Truth, controller: Controller, gear_ratio: float
) -> ControllerLog:
    """What the controller logs of a pass; turns are the motor's (electrical with pole pairs above 1)."""
    start, end = -controller.before_s, truth.stop_s + controller.after_s
    rate = 1.0 + controller.fast_ppm * 1e-6
    first = np.ceil((start - controller.on_s) * rate * controller.rate_hz)
    last = np.floor((end - controller.on_s) * rate * controller.rate_hz)
    clock = np.arange(first, last + 1) / controller.rate_hz
    true_s = controller.on_s + clock / rate
    seen = true_s - controller.delay_s

    def channel(values: Array) -> Array:
        return np.asarray(np.interp(seen, truth.slow_s, values))

    n = len(clock)
    spin = _spin(truth.car, truth.motion_at(seen)[0], seen, controller)
    wheel = channel(truth.wheel_rpm) * (1.0 + spin) * (1.0 + controller.rpm_noise * rng.standard_normal(n))
    motor = wheel * gear_ratio * max(controller.pole_pairs, 1)
    return ControllerLog(
        controller=controller, true_s=true_s, clock_s=clock, rpm=rounded(motor, controller.rpm_step),
        current_a=np.abs(channel(truth.pack_current_a) + 0.4 * rng.standard_normal(n)),
        voltage_v=channel(truth.pack_voltage_v) + 0.03 * rng.standard_normal(n),
        motor_temp_c=channel(truth.motor_temp_c), controller_temp_c=channel(truth.controller_temp_c),
        throttle=channel(truth.throttle), spinning=spin,
    )  # fmt: skip


def _spin(car: Car, travel_m: Array, true_s: Array, controller: Controller) -> Array:
    """Extra turns as a share: bursts of wheelspin, and wheels in the air over a bump."""
    extra = np.zeros(len(true_s))
    for start, length, share in controller.bursts:
        phase = np.clip((true_s - start) / length, 0.0, 1.0)
        extra += share * np.sin(np.pi * phase) ** 2
    if car.bump is not None:
        bump = car.bump
        extra += bump.spin * bump.depth(travel_m) / bump.unloading
    return extra
