"""What the program finds of the instruments, against the truth: a wheel log's clock and scale, a logger's lag."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from speedlog.demo.controller import ControllerLog
from speedlog.demo.noise import Array
from speedlog.demo.scenario import SimulatedPass

SPINNING = 1e-3  # extra turns, as a share, above which a row tells nothing of the scale
SAME_ROW_S = 2e-3  # the log's text has milliseconds


def true_offset_s(run: SimulatedPass, log: ControllerLog) -> float:
    """UTC minus the controller's own clock when the car is in the middle of the trap [s].

    By the log's own pairs of true time and clock, a straight line between them.
    """
    middle = 0.5 * (run.truth.entry_s + run.truth.exit_s)
    return run.launch_ns / 1e9 + middle - float(np.interp(middle, log.true_s, log.clock_s))


def wheel_truth(run: SimulatedPass) -> dict[str, Any] | None:
    """What is true of the wheel log: its offset, and its rows in the trap as (clock, speed, whether sound).

    Without a row in the trap: the one nearest to its middle.
    """
    if run.wheel is None:
        return None
    name, log = run.wheel
    within = (log.true_s >= run.truth.entry_s) & (log.true_s <= run.truth.exit_s)
    if not within.any():
        middle = 0.5 * (run.truth.entry_s + run.truth.exit_s)
        within[np.argmin(np.abs(log.true_s - middle))] = True
    speed = run.truth.motion_at(log.true_s[within])[1]
    sound = np.abs(log.spinning[within]) < SPINNING
    rows = zip(log.clock_s[within].tolist(), speed.tolist(), sound.tolist(), strict=True)
    return {"file": name, "offset_s": true_offset_s(run, log), "rows": [list(row) for row in rows]}


def wheel_found(truth: dict[str, Any] | None, found: Any, item: Any) -> dict[str, Any] | None:
    """Errors of clock offset [ms] and of the corrected speed in the trap [m/s]; None without a wheel log.

    Args:
        truth: of `wheel_truth`. found: the review. item: the pass in it.
    """
    if truth is None:
        return None
    offset = next(one.clock_offset_s for one in found.recordings if one.file == truth["file"])
    if offset is None:
        return {}
    record = {"offset_ms": 1e3 * (offset - truth["offset_s"])}
    traces = [one for one in item.trace.loggers if one.kind == "wheel"] if item.trace else []
    if traces:
        clock = item.start_utc.value / 1e9 - offset + traces[0].time_s
        error = corrected_error_mps(truth["rows"], clock, traces[0].speed_mps)
        record |= {} if error is None else {"speed_mps": error}
    return record


def corrected_error_mps(rows: Sequence[Sequence[Any]], clock_s: Array, speed_mps: Array) -> float | None:
    """Mean error of the corrected wheel speed over sound rows in the trap; None without any.

    Args:
        rows: (clock, true speed, sound) of each. clock_s, speed_mps: (N,) the program's, on the same clock.
    """
    errors = []
    for clock, speed, sound in rows:
        nearest = int(np.argmin(np.abs(clock_s - clock)))
        if sound and abs(clock_s[nearest] - clock) < SAME_ROW_S and np.isfinite(speed_mps[nearest]):
            errors.append(speed_mps[nearest] - speed)
    return float(np.mean(errors)) if errors else None


def true_lags(run: SimulatedPass) -> dict[str, float]:
    """How late each GNSS logger's speed comes against its own places, on a steady ramp [s], by file."""
    return {name: log.logger.speed_delay_s + log.logger.speed_filter_s for name, _, log in run.gnss}


def lags_found(truth: dict[str, float], item: Any) -> list[dict[str, Any]]:
    """True lag of each logger, and what the program says with its standard uncertainty (None: nothing)."""
    by_name = {logger.file: logger for logger in item.loggers}
    said = [(true, by_name.get(name)) for name, true in truth.items()]
    return [{"true": true, "lag": one and one.lag_s, "u": one and one.lag_u_s} for true, one in said]
