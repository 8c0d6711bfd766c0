"""The run-up by the estimate alone: drag and pull as far as the motion shows them, and what a push would change."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.physics.roadload import carried
from speedlog.results import Pass
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle.current import pull_of
from speedlog.vehicle.log import CarLog, coasting

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RunUp:
    """From the launch to the place where the speed counts (the trap's middle, else the fastest moment).

    Attributes:
        travel_m, time_s, speed_mps, accel_mps2: (N,); travel rises and begins at 0.
        launch_in_log: the estimate begins with the car at rest.
    """

    time_s: Array
    travel_m: Array
    speed_mps: Array
    accel_mps2: Array
    launch_in_log: bool

    def pull(self, drag: Drag, settings: VehicleSettings) -> Array:
        return pull_of(self.speed_mps, self.accel_mps2, settings, drag.per_m)

    def moved(
        self, extra_mps2: Array, drag: Drag, law: float, settings: VehicleSettings, start: float = 0.0
    ) -> float:
        """m/s by which the speed at the end would differ."""
        gained = carried(
            self.travel_m,
            self.speed_mps,
            self.accel_mps2,
            extra_mps2,
            drag.per_m,
            settings.rolling_mps2,
            law,
            start,
        )
        end = float(self.speed_mps[-1])
        return math.sqrt(max(end**2 + 2 * float(gained[-1]), 0.0)) - end


@dataclass(frozen=True)
class Drag:
    """k = rho CdA / (2 m), 1/m, in the pass's own air; its uncertainty as a share; from this pass's coast or not."""

    per_m: float
    u_share: float
    from_coast: bool


def run_up_of(pass_: Pass, settings: VehicleSettings) -> RunUp | None:
    """The run-up of a pass; None without an estimate or with too little of it."""
    trace = pass_.trace
    if trace is None or len(trace.time_s) < 10:
        return None
    travel = np.abs(trace.along_m - trace.along_m[0])
    end = int(np.argmax(trace.speed_mps))
    if pass_.trap is not None:
        middle = abs(0.5 * (pass_.trap.entry_m + pass_.trap.exit_m) - float(trace.along_m[0]))
        there = np.flatnonzero(travel >= middle)
        end = int(there[0]) if len(there) else end
    moving = np.flatnonzero(trace.speed_mps[: end + 1] > settings.moving_mps)
    if not len(moving) or end - moving[0] < 5:
        return None
    first = int(moving[0])
    rows = slice(first, end + 1)
    return RunUp(
        trace.time_s[rows], np.maximum.accumulate(travel[rows] - travel[first]), trace.speed_mps[rows],
        trace.accel_mps2[rows], bool(trace.speed_mps[first] < 5 * settings.moving_mps),
    )  # fmt: skip


def drag_of(log: CarLog | None, head_mps: float, settings: VehicleSettings) -> Drag:
    """Drag by this pass's own coast just after the lift, else what such cars have."""
    prior = Drag(settings.drag_per_m, settings.drag_u, False)
    if log is None:
        return prior
    idle = coasting(log, settings)
    rows = np.flatnonzero(idle)
    if len(rows) < 4 or np.ptp(log.time_s[rows]) < settings.coast_least_s:
        return prior
    air = log.speed_mps[rows] + head_mps
    losing = -float(np.median(log.accel_mps2[rows])) - settings.rolling_mps2
    k = losing / float(np.mean(air**2))
    if not settings.drag_per_m / 4 < k < 4 * settings.drag_per_m:  # a brake, or no coast at all
        return prior
    return Drag(k, math.hypot(settings.rolling_u, settings.coast_u_mps2) / losing, True)


def pull_law_of(run: RunUp, drag: Drag, settings: VehicleSettings) -> tuple[float, float]:
    """p of a pull that falls as v^-p, and its standard uncertainty; from the quicker half of the run-up."""
    pull = run.pull(drag, settings)
    fast = (run.speed_mps > max(settings.pull_law_mps, 0.5 * float(run.speed_mps.max()))) & (pull > 1.0)
    if np.count_nonzero(fast) < 10:
        return settings.power_law, settings.power_law_u
    slope = float(np.polyfit(np.log(run.speed_mps[fast]), np.log(pull[fast]), 1)[0])
    return float(np.clip(-slope, 0.0, 2.0)), settings.power_law_u
