"""Which verdict is the right one, from what was simulated: the contract's ordered rules given the truth.

The trap figure of a simulated pass is right, so a disagreement by chance is a wrong verdict, and so is
`not_enough_data`: in no family do the logs leave 3 % open. Where the truth stands within a
margin of a rule's border, the codes on both sides are right.
"""

from __future__ import annotations

import numpy as np

from speedlog.demo.gnss import GnssLog, GnssLogger
from speedlog.demo.noise import Array
from speedlog.demo.scenario import SimulatedPass
from tests.benchmarks.faults_events import LogCase, case_of

COVERING = 1.5  # of a logger's own intervals, design section 2
LEAST, LEAST_MARGIN = 0.5, 0.05  # rule 3, and within so much the receiver's wander of place decides
SAME_COVERAGE = 0.02  # two loggers that cover so nearly alike are both the best
DISAGREE_EN, EN_MARGIN = 1.5, 1.25  # rule 5; the interval of a reading is the program's to find
NOT_USABLE = ("gap", "no_fix", "frozen", "dead_reckoned", "outlier", "outlier (place)")
K = 1.96  # half a normal law's 95 %


def expected_codes(run: SimulatedPass) -> frozenset[str]:
    """The codes of the verdict that are right for a pass with its right figure."""
    cases = [case_of(run, which, 0) for which in range(len(run.gnss))]
    shares = [coverage_range(run, case) for case in cases]
    codes: set[str] = set()
    if max(low for low, _ in shares) < LEAST + LEAST_MARGIN:
        codes.add("logger_missed_trap")
    if max(high for _, high in shares) < LEAST - LEAST_MARGIN:
        return frozenset(codes)
    best = max(low for low, _ in shares)
    for case, (_, high) in zip(cases, shares, strict=True):
        if high >= best - SAME_COVERAGE:
            codes |= _codes_of_best(run, case)
    return frozenset(codes)


def doubt_is_due(run: SimulatedPass) -> bool:
    """Whether a figure 3 to 15 % off must be told: some logger covers the trap and is not flat in it."""
    cases = [case_of(run, which, 0) for which in range(len(run.gnss))]
    return any(
        coverage_range(run, case)[0] >= LEAST + LEAST_MARGIN and flat_in_trap(run, case) == {False}
        for case in cases
    )


def coverage_range(run: SimulatedPass, case: LogCase) -> tuple[float, float]:
    """Covered share of the trap by true places: every spoilt row left out, or the plain ones alone."""
    time = case.log.true_s
    told = np.isfinite(case.log.speed_mps) & np.isfinite(case.log.lat_deg)
    shares = []
    for full_only in (False, True):
        good = told.copy()
        for event in case.events:
            if event.kind in NOT_USABLE and event.kind != "gap" and (event.full or not full_only):
                good &= (time < event.start_s - 1e-6) | (time > event.end_s + 1e-6)
        shares.append(covered_share(run, time[good], 1.0 / case.rate_hz))
    return shares[0], shares[1]


def covered_share(run: SimulatedPass, time_s: Array, interval_s: float) -> float:
    """Share of the trap, by distance, between epochs at most 1.5 intervals apart."""
    truth = run.truth
    if len(time_s) < 2:
        return 0.0
    close = np.diff(time_s) <= COVERING * interval_s + 1e-3
    place = np.clip(truth.motion_at(time_s)[0], truth.entry_travel_m, truth.exit_travel_m)
    return float(np.sum(np.diff(place)[close])) / (truth.exit_travel_m - truth.entry_travel_m)


def flat_in_trap(run: SimulatedPass, case: LogCase) -> set[bool]:
    """Whether the logger stands at its top inside the trap; both where one row or a small step decides."""
    interval, answers = 1.0 / case.rate_hz, {False}
    for event in case.events:
        if event.kind != "ceiling":
            continue
        start, end = max(event.start_s, run.truth.entry_s), min(event.end_s, run.truth.exit_s)
        if end - start > interval and event.full:
            return {True}
        if end - start > -interval:
            answers.add(True)
    return answers


def _codes_of_best(run: SimulatedPass, case: LogCase) -> set[str]:
    codes: set[str] = set()
    flat = flat_in_trap(run, case)
    if True in flat:
        codes.add("logger_ceiling")
    if False in flat:
        codes |= _low_high_agree(run, case.log)
    return codes


def _low_high_agree(run: SimulatedPass, log: GnssLog) -> set[str]:
    """Rule 5 for a reading without its noise: how far the logger's lag takes it off the figure.

    A delay that speed and place share cancels in a mean over the logger's own places.
    """
    logger, truth = log.logger, run.truth
    if logger.speed_delay_s + logger.speed_filter_s <= 0:
        return {"agree"}
    late = lagging_speed(run, logger, log.true_s)
    time = log.true_s - logger.delay_s  # at which the car was where the log has it
    off = _mean_over_trap(run, time, late) - truth.trap_mps
    # what straight lines between the epochs miss is the rate's part, not the lag's
    lag_alone = _mean_over_trap(run, time, late) - _mean_over_trap(run, time, truth.motion_at(time)[1])
    near = (time > truth.entry_s - 1 / logger.rate_hz) & (time < truth.exit_s + 1 / logger.rate_hz)
    own = K * np.hypot(logger.speed_white_mps / np.sqrt(max(int(near.sum()) - 1, 1)), logger.speed_drift_mps)
    # between two epochs nobody knows the speed: a reading's interval may say so, up to a quarter of the step
    between = float(np.max(np.abs(np.diff(late[near])), initial=0.0)) / 4
    official = K * official_u_mps(run)
    sharp = max(abs(off), abs(lag_alone)) / np.hypot(own, official) * EN_MARGIN
    blunt = abs(lag_alone) / np.sqrt(own**2 + official**2 + between**2) / EN_MARGIN
    side = "logger_low" if off < 0 else "logger_high"
    codes = set()
    if sharp > DISAGREE_EN:
        codes.add(side)
    if blunt <= DISAGREE_EN:
        codes.add("agree")
    return codes


def lagging_speed(run: SimulatedPass, logger: GnssLogger, time_s: Array) -> Array:
    """The speed as delay and first-order filter leave it, without noise: the filter by its closed form.

    y' = (v - y) / tau over a millisecond in which v is taken as its mean.
    """
    truth, tau = run.truth, logger.speed_filter_s
    shifted = time_s - logger.delay_s - logger.speed_delay_s
    if tau <= 0:
        return truth.motion_at(shifted)[1]
    from scipy.signal import lfilter

    keep = float(np.exp(-np.diff(truth.time_s[:2])[0] / tau))
    mean = 0.5 * (truth.speed_mps[1:] + truth.speed_mps[:-1])
    out = lfilter([1.0 - keep], [1.0, -keep], mean, zi=[keep * truth.speed_mps[0]])[0]
    return np.asarray(np.interp(shifted, truth.time_s[1:], out))


def official_u_mps(run: SimulatedPass) -> float:
    """Standard uncertainty of the figure: both stamps rounded (q/√6 together), and the tape."""
    trap, speed = run.trap, run.truth.trap_mps
    stamps = trap.timer_step_s / np.sqrt(6.0) / (trap.length_m / speed)
    return float(speed * np.hypot(stamps, trap.length_u_m / trap.length_m))


def _mean_over_trap(run: SimulatedPass, time_s: Array, speed_mps: Array) -> float:
    entry, leave = run.truth.entry_travel_m, run.truth.exit_travel_m
    grid = np.linspace(entry, leave, 201)
    speed = np.interp(grid, run.truth.motion_at(time_s)[0], speed_mps)
    return float((leave - entry) / np.trapezoid(1.0 / np.maximum(speed, 1.0), grid))
