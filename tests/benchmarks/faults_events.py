"""What is wrong with a simulated log, from the simulator's labels: the events that the log really shows.

A label is a stretch of true seconds since the launch. It becomes an event: the epochs of it that are still
there and still show it (a later fault may have taken them away or written over them), joined with labels of
its kind that touch it. An event smaller than the issue's sizes, or one while the car stands, is marked so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from speedlog.demo.gnss import EARTH, GnssLog
from speedlog.demo.noise import Array
from speedlog.demo.scenario import SimulatedPass, Trap
from speedlog.demo.writers import speed_step_mps

KINDS = ("gap", "no_fix", "poor_fix", "dead_reckoned", "frozen", "ceiling", "outlier", "outlier (place)")
# what writes over what: a kind shows only where none of these was put in after it
_WRITTEN_OVER = {
    "ceiling": ("outlier", "poor_fix", "frozen", "dead_reckoned", "no_fix"),
    "outlier": ("frozen", "dead_reckoned", "no_fix"),
    "poor_fix": ("dead_reckoned", "no_fix"),
    "frozen": ("dead_reckoned", "no_fix"),
    "dead_reckoned": ("no_fix",),
}
MOVING_MPS = 3.0  # a logger that stands can miss nothing
# the sizes
GAP_EPOCHS, FROZEN_S, FROZEN_STEPS = 3, 0.2, 3.0
OUTLIER_MPS, OUTLIER_SDS, OUTLIER_ROWS = 1.0, 8.0, 5
PLACE_M = 2.5  # of a place alone: the issue names no size; a receiver's own wander stays below
CEILING_MPS, CEILING_ROWS = 0.5, 3  # two rows at the top are any peak: counted apart
POOR_FIX_SD_MPS = 0.4  # what `disturb.poor_fix` adds
NEAR_LEAST_M, NEAR_DOUBT_M = 25.0, 3.0  # within so much of the border a receiver's own wander decides


@dataclass(frozen=True)
class Event:
    """A fault as the log shows it: first and last epoch (true s), or those on both sides of a gap.

    Attributes:
        full: of the size that the issue asks for.
        near: whether it touches the widened trap; None where that hangs on a few metres.
    """

    kind: str
    start_s: float
    end_s: float
    full: bool
    near: bool | None


@dataclass(frozen=True, eq=False)
class LogCase:
    """One log of a simulated pass, and what is wrong with it."""

    family: str
    index: int
    rate_hz: float
    step_mps: float
    events: tuple[Event, ...]
    log: GnssLog
    error_mps: Array  # (N,) of the reading; NaN where the logger lags or says nothing


def case_of(run: SimulatedPass, which: int, index: int) -> LogCase:
    """The events of one GNSS log of a pass."""
    _, form, log = run.gnss[which]
    lagging = log.logger.speed_delay_s > 0 or log.logger.speed_filter_s > 0 or log.logger.delay_s > 0
    true_mps = run.truth.motion_at(log.true_s)[1]
    error = np.full(len(log.true_s), np.nan) if lagging else log.speed_mps - true_mps
    step = speed_step_mps(log, form)
    places = _place_error_m(run, log)
    events = [
        _event(run, log, kind, rows, error, places, step)
        for kind in ("no_fix", "poor_fix", "dead_reckoned", "frozen", "ceiling", "outlier", "position_jump")
        for rows in _joined(log, kind)
    ]
    events += [_gap(run, log, item.start_s, item.end_s) for item in log.labels if item.kind == "gap"]
    return LogCase(
        run.family, index, log.logger.rate_hz, step, tuple(sorted(events, key=lambda item: item.start_s)),
        log, error,
    )  # fmt: skip


def noise_mps(log: GnssLog) -> Array:
    """(N,) white noise of each reading, m/s."""
    return np.hypot(log.logger.speed_white_mps, np.where(_within(log, ("poor_fix",)), POOR_FIX_SD_MPS, 0.0))


def _place_error_m(run: SimulatedPass, log: GnssLog) -> Array:
    """(N,) how far the logged place lies ahead along the outbound line."""
    along = run.place.along(run.truth.motion_at(log.true_s - log.logger.delay_s)[0])
    lat, lon = run.place.position(along, np.zeros(len(along)))
    turn, far = EARTH.inv(lon, lat, log.lon_deg, log.lat_deg)[::2]
    return np.asarray(far * np.cos(np.radians(turn - run.place.heading_deg)))


def _within(log: GnssLog, kinds: Iterable[str]) -> Any:
    hit = np.zeros(len(log.true_s), dtype=bool)
    for label in log.labels:
        if label.kind in kinds:
            hit |= (log.true_s >= label.start_s - 1e-6) & (log.true_s <= label.end_s + 1e-6)
    return hit


def _joined(log: GnssLog, kind: str) -> list[Any]:
    """Rows of each event of a kind: touching labels are one, and rows written over are none of its."""
    labelled = _within(log, (kind,))
    shown = labelled & ~_within(log, _WRITTEN_OVER.get(kind, ()))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], labelled, [False]])))
    whole = [np.arange(a, b)[shown[a:b]] for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [rows for rows in whole if len(rows)]


def _event(
    run: SimulatedPass, log: GnssLog, kind: str, rows: Any, error: Array, places: Array, step: float
) -> Event:  # fmt: skip
    start, end = float(log.true_s[rows[0]]), float(log.true_s[rows[-1]])
    speed = run.truth.motion_at(log.true_s[max(rows[0] - 1, 0) : rows[-1] + 1])[1]
    full = float(speed.max()) > MOVING_MPS
    if kind == "outlier":
        least = max(OUTLIER_MPS, OUTLIER_SDS * float(noise_mps(log)[rows].max()))
        off = error[rows]
        full &= len(rows) <= OUTLIER_ROWS and rows[-1] - rows[0] == len(rows) - 1
        wrong = bool(abs(off.mean()) >= least and np.all(np.abs(off) >= 0.8 * least))
        beside = np.delete(places, rows)[max(rows[0] - 5, 0) : rows[0] + 5]
        moved = bool(np.all(np.abs(places[rows] - np.nanmedian(beside)) > PLACE_M))
        if moved and not wrong and not np.any(np.abs(off) >= 0.5 * least):
            return Event("outlier (place)", start, end, full, _near(run, start, end))
        full &= wrong
    elif kind == "frozen":
        lasted = end - float(log.true_s[max(rows[0] - 1, 0)])
        full &= lasted >= FROZEN_S - 1e-6 and float(np.ptp(speed)) > FROZEN_STEPS * step
    elif kind == "ceiling":
        pinned = np.abs(log.speed_mps[rows] - np.median(log.speed_mps[rows])) < 0.5 * step
        top = float(np.median(log.speed_mps[rows]))
        full &= run.truth.peak_mps - top >= CEILING_MPS and int(pinned.sum()) >= CEILING_ROWS
    elif kind == "position_jump":
        # of any length and size: a jump that stays for seconds may be the better place
        kind, full = "outlier (place)", False
    return Event(kind, start, end, full, _near(run, start, end))


def _gap(run: SimulatedPass, log: GnssLog, start_s: float, end_s: float) -> Event:
    missing = round((end_s - start_s) * log.logger.rate_hz) - 1
    moving = float(run.truth.motion_at(np.array([start_s, end_s]))[1].max()) > MOVING_MPS
    return Event("gap", start_s, end_s, moving and missing >= GAP_EPOCHS, _near(run, start_s, end_s))


def _near(run: SimulatedPass, start_s: float, end_s: float) -> bool | None:
    travel = run.truth.motion_at(np.array([start_s, end_s]))[0]
    along = np.sort(run.place.along(travel))
    answers = {_touches(run.trap, along, margin) for margin in (-NEAR_DOUBT_M, NEAR_DOUBT_M)}
    return answers.pop() if len(answers) == 1 else None


def _touches(trap: Trap, along: Array, margin: float) -> bool:
    wider = max(NEAR_LEAST_M, trap.length_m) + margin
    return bool(along[0] <= trap.exit_m + wider and along[1] >= trap.entry_m - wider)
