"""What a slow log can tell of its wrong speeds at all: python -m tests.benchmarks.faults_bound [--each 60]

An oracle is handed the log's true noise, the true roughness of the drive in each interval and all other
faults, and is asked of one event alone: how much likelier is the log with errors there? An event that gains
it less than the program's own threshold can't be known from the log.
"""

from __future__ import annotations

import argparse
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np

from speedlog.course.geometry import Line, along_across
from speedlog.demo.draws import seeded
from speedlog.demo.scenario import SimulatedPass
from speedlog.faults.whole import Guess, Whole
from speedlog.settings import FaultSettings
from tests.benchmarks import faults, faults_families
from tests.benchmarks.faults_events import LogCase, case_of
from tests.benchmarks.table import text_table

SETTINGS = FaultSettings()
SIZES_MPS = (1.0, 1.5, 2.5, 5.0, 1e3)


def gains(run: SimulatedPass, case: LogCase) -> dict[float, tuple[float, float]]:
    """Start of each full outlier -> its mean error, m/s, and the oracle's log evidence for it."""
    log = case.log
    events = [event for event in case.events if event.kind == "outlier"]
    rows = [np.flatnonzero((log.true_s > e.start_s - 1e-3) & (log.true_s < e.end_s + 1e-3)) for e in events]
    found = {}
    for event, own in zip(events, rows, strict=True):
        if event.full:
            others = [item for item in rows if item is not own]
            error = float(np.abs(case.error_mps[own]).mean())
            found[round(event.start_s, 3)] = error, _gain(run, case, own, others)
    return found


def _gain(run: SimulatedPass, case: LogCase, own: np.ndarray, others: list[np.ndarray]) -> float:
    log, line = case.log, Line(run.place.lat_deg, run.place.lon_deg, run.place.heading_deg)
    along = along_across(line, log.lat_deg, log.lon_deg)[0] * (1 if run.place.outbound else -1)
    speed = log.speed_mps.copy()
    for rows in others:
        speed[rows], along[rows] = np.nan, np.nan
    whole = Whole(log.true_s, speed, along, SETTINGS)
    weights = whole.weights(_true_noise(case), dict(enumerate(_roughness(run, log.true_s))))
    each = {
        "speed": np.zeros((len(whole.values), len(own))),
        "place": np.zeros((len(whole.values), len(own))),
    }
    each["speed"][np.searchsorted(whole.speed_row, own), np.arange(len(own))] = SETTINGS.outlier_size_mps
    lead = len(whole.speed_row)
    each["place"][lead + np.searchsorted(whole.place_row, own), np.arange(len(own))] = SETTINGS.outlier_size_m
    speeds, places = ([part, part.sum(axis=1, keepdims=True)] for part in each.values())
    forms = speeds + [np.hstack([one, other]) for one in speeds for other in places]
    return max(float(weights.gain(form[None])[0][0]) for form in forms)


def _true_noise(case: LogCase) -> Guess:
    logger = case.log.logger
    drift = 2.0 * logger.speed_drift_mps**2 / logger.speed_drift_s / logger.rate_hz
    speed = np.sqrt(logger.speed_white_mps**2 + case.step_mps**2 / 12.0 + drift)
    wander = 2.0 * logger.place_drift_m**2 / logger.place_drift_s
    return Guess(float(speed), logger.place_white_m, wander, 0.01, 0.0)


def _roughness(run: SimulatedPass, time_s: np.ndarray) -> list[float]:
    """Density of the jerk that changes the pull by as much as it truly changed in each interval."""
    found = []
    for begin, end in pairwise(time_s):
        at = np.linspace(begin, end, 51)
        pull = (run.truth.motion_at(at + 0.01)[1] - run.truth.motion_at(at - 0.01)[1]) / 0.02
        found.append(max(float(np.ptp(pull)) ** 2 / float(end - begin), 0.01))
    return found


def _share(values: list[bool]) -> float:
    return float(np.mean(values)) if values else float("nan")


def main() -> None:
    """Print, for each rate and size, how many are found and how many the oracle finds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    faults_families.RATES_HZ = (1.0, 2.0)
    told = []
    for index in range(options.each):
        run = faults_families.make("varied_outliers", seeded(options.seed, "varied_outliers", index))
        with tempfile.TemporaryDirectory() as place:
            run.write(Path(place))
            (found,) = faults.find_in_tracks(run, Path(place))
        case = case_of(run, 0, index)
        hits = {round(r["from"], 3): r["what"] for r in faults.judge(case, found) if r["kind"] == "outlier"}
        told += [(case.rate_hz, *item, hits[at] == "hit") for at, item in gains(run, case).items()]
    rows = []
    for rate in (1.0, 2.0):
        for low, high in [(0.0, 1e3), *pairwise(SIZES_MPS)]:
            own = [item for item in told if item[0] == rate and low <= item[1] < high]
            rows.append({
                "rate": f"{rate:g} Hz", "from m/s": low, "events": len(own),
                "found": _share([item[3] for item in own]),
                "oracle": _share([item[2] > SETTINGS.outlier_log_odds for item in own]),
            })  # fmt: skip
    print(text_table(rows, {"found": 3, "oracle": 3, "from m/s": 1}))


if __name__ == "__main__":
    main()
