"""Invented passes whose mean speed over a trap is known in closed form: constant acceleration."""

from __future__ import annotations

import numpy as np

from speedlog.reconcile.locate import FiguredPass
from speedlog.settings import LocateSettings

LENGTH_M = 30.0
ENTRY_M = 400.0
WIDENING = LocateSettings().band_widening


def exact_mean(v_mps: float, accel_mps2: float, shift_m: float = 0.0) -> float:
    """Length over time from `shift_m` of travel, with speed v at travel 0: v² = v0² + 2 a s, a dt = dv."""
    first, last = (np.sqrt(v_mps**2 + 2 * accel_mps2 * s) for s in (shift_m, shift_m + LENGTH_M))
    return (first + last) / 2  # time-mean of a speed that rises evenly in time


def steady(
    v_mps: float, accel_mps2: float, sign: int = 1, *, official_mps: float | None = None, u_mps: float = 0.05,
    sd_mps: float = 0.05, speed_error_mps: float = 0.0, place_error_m: float = 0.0, name: str = "pass 1",
) -> FiguredPass:  # fmt: skip
    """A pass that enters the trap at `v_mps`: 4 s to either side, its estimate wrong by one speed, one place.

    The widening is taken off `sd_mps`, so that it is the standard uncertainty which `locate` works with.
    """
    time = np.arange(-100, 101) * 0.04
    travel = v_mps * time + accel_mps2 * time**2 / 2 + speed_error_mps * time + place_error_m
    along = ENTRY_M + travel if sign > 0 else ENTRY_M + LENGTH_M - travel
    official = exact_mean(v_mps, accel_mps2) if official_mps is None else official_mps
    speed = v_mps + accel_mps2 * time + speed_error_mps
    sd = np.full(len(time), sd_mps / WIDENING)
    return FiguredPass(name, time, along, speed, sd, official, u_mps)


def drawn(
    rng: np.random.Generator, plan: list[tuple[float, float, int]], *, u_mps: float = 0.08,
    sd_mps: float = 0.12, place_sd_m: float = 1.0, tape_u_m: float = 0.02,
) -> list[FiguredPass]:  # fmt: skip
    """A day drawn from the very model: own errors of each pass, one tape for all."""
    tape = rng.normal(0, tape_u_m) / LENGTH_M
    return [
        steady(
            v, a, sign, official_mps=exact_mean(v, a) * (1 - tape) + rng.normal(0, u_mps), u_mps=u_mps,
            sd_mps=sd_mps, speed_error_mps=rng.normal(0, sd_mps), place_error_m=rng.normal(0, place_sd_m) * sign,
            name=f"pass {n}",
        )
        for n, (v, a, sign) in enumerate(plan, 1)
    ]  # fmt: skip
