"""What was left in a pass: speed with more run-up, the drag-limited terminal speed, and what limited the car where."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from speedlog.results import Pass
from speedlog.results_car import Left, Limit, RoadLoad, Stopping, Stretch
from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import Car
from speedlog.vehicle.coast import coast_of, road_load, run_up_load
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.fit import Fitted, FittedPass, fit
from speedlog.vehicle.forecast import draw_runs, known_from, split_normal, terminal
from speedlog.vehicle.observed import observe
from speedlog.vehicle.plan import Plan
from speedlog.vehicle.simulate import LIMITS
from speedlog.vehicle.stopping import braking, stopping

_NAMES: dict[str, Limit] = {"traction": "traction", "current limit": "current limit", "motor limit": "current limit",
                            "voltage": "voltage"}  # fmt: skip


def left_of(
    found: Pass, facts: CarFacts, room_m: float | None = None, car: Car | None = None,
    settings: ForecastSettings | None = None,
) -> tuple[Left, RoadLoad, Stopping]:  # fmt: skip
    """What was left in one pass, its road load, and its stopping distance, from its own logs alone.

    Args:
        room_m: from the trap's exit to the runway's end, along this pass; None if not given.
        car: what is known of it beforehand, usual values if None.
    """
    settings = settings or ForecastSettings()
    seen = observe(found, facts, settings)
    if seen is None:
        none = {"": "the logs show no run-up"}
        return Left(why_not=none), RoadLoad(why_not=none), Stopping(room_m=room_m, why_not=none)
    fitted = fit(car or Car(), [seen], settings)
    coast = coast_of(found, seen, facts, settings)
    load = run_up_load(fitted) if isinstance(coast, str) else road_load([coast], settings)
    stop = braking(found, settings)
    # from the speed of the pass itself, as the estimate has it
    top = found.peak.estimate_mps if found.peak is not None else float(fitted.passes[0].speed_mps[-1])
    distance = stopping([] if stop is None else [stop], Quantity95.spread(top, 0.2), room_m, settings)
    return left_in(fitted, 0, settings), load, distance


def left_in(fitted: Fitted, which: int, settings: ForecastSettings) -> Left:
    """What was left in one of the passes that a car was fitted to."""
    run = fitted.passes[which]
    seen = run.observed
    powered = any(channel.kind == "current" for channel in seen.channels)
    why = {} if powered else {"stretches": "no current was logged: what limited the car can't be told"}
    if powered and fitted.missed(settings):
        why["stretches"] = "the fitted car is off its logs: what limited the car can't be told"
        why["fit"] = "The fitted car is off its logs by more than noise: take what was left as rough."
    stretches = () if "stretches" in why else stretches_of(run, settings)
    run_up = seen.entry_m if seen.entry_m is not None else float(run.travel_m[-1])
    trap = seen.exit_m - seen.entry_m if seen.exit_m is not None and seen.entry_m is not None else 0.0
    plan = Plan(
        run_up, trap, run.head_mps, run.head_u_mps, seen.density_kgm3, seen.density_share_u, set=_setup(run)
    )
    known = known_from(fitted, ())
    runs = draw_runs(known, plan, run_up + trap + max(settings.more_run_up_m), settings)
    base = _through(runs, run_up, trap)
    if not np.isfinite(base[0]):
        return Left(
            stretches=stretches, why_not=why | {"": "the simulated car doesn't reach the trap: no figure"}
        )
    shift = (seen.trap_mps - base[0]) if seen.trap_mps is not None else 0.0
    more = {}
    for metres in settings.more_run_up_m:
        gain = split_normal(_through(runs, run_up + metres, trap) - base)
        if gain is not None:
            own = seen.trap_u_mps or 0.0
            value = float(base[0] + shift + gain.value)
            low, high = (
                float(np.hypot(side, 1.96 * own)) for side in (gain.value - gain.low, gain.high - gain.value)
            )
            more[metres] = Quantity95(value, value - low, value + high)
    if float(run.travel_m[-1]) < run_up + trap:
        why = why | {"trap_exit_accel_mps2": "the driver had lifted before the trap's exit"}
    end_s, _ = runs.at_travel(run_up + trap)
    lanes = np.arange(runs.lanes.count)
    place = np.array([int(np.searchsorted(runs.time_s[:, k], end_s[k])) for k in lanes])
    place = np.minimum(place, len(runs.time_s) - 1)
    pulling = None if "trap_exit_accel_mps2" in why else split_normal(runs.accel(runs.point())[place, lanes])
    return Left(
        trap_exit_accel_mps2=pulling, with_more_run_up_mps=more,
        terminal_mps=split_normal(terminal(runs.lanes, runs.used_as[place, lanes], runs.head_mps[-1])),
        stretches=stretches, why_not=why,
    )  # fmt: skip


def _setup(run: FittedPass) -> dict[str, float]:
    """The pass's own set-up, over that of the last one fitted; its rest voltage is learned with the rest."""
    facts = run.observed.facts
    said = {"pack_limit_a": facts.current_limit_a, "ramp_s": facts.ramp_s, "gear_ratio": facts.gear_ratio,
            "wheel_m": facts.wheel_diameter_m, "mass_kg": facts.mass_kg}  # fmt: skip
    return {name: value for name, value in said.items() if value is not None}


def _through(runs: object, run_up: float, trap: float) -> np.ndarray:
    from speedlog.vehicle.simulate import Runs

    assert isinstance(runs, Runs)
    (t0, v0), (t1, _) = runs.at_travel(run_up), runs.at_travel(run_up + trap)
    return np.asarray(trap / (t1 - t0) if trap > 0 else v0)


def stretches_of(run: FittedPass, settings: ForecastSettings) -> tuple[Stretch, ...]:
    """What limited the car along the run-up, by the fit; short stretches joined to their neighbours."""
    top = min(settings.full_throttle, float(run.throttle.max()) - 0.01)
    opened_at = int(np.argmax(run.throttle >= top))
    names = [
        _limit(LIMITS[int(which)], float(opened), k < opened_at, settings)
        for k, (which, opened) in enumerate(zip(run.which, run.throttle, strict=True))
    ]
    first = run.observed
    cuts = [0, *(k for k in range(1, len(names)) if names[k] != names[k - 1]), len(names)]
    pieces = [(cuts[n], cuts[n + 1] - 1, names[cuts[n]]) for n in range(len(cuts) - 1)]
    joined: list[tuple[int, int, Limit]] = []
    for begin, end, name in pieces:
        short = run.time_s[end] - run.time_s[begin] < settings.least_stretch_s
        if joined and (short or joined[-1][2] == name):
            joined[-1] = (joined[-1][0], end, joined[-1][2])
        else:
            joined.append((begin, end, name))
    out = []
    for n, (begin, end, name) in enumerate(joined):
        stop = joined[n + 1][0] if n + 1 < len(joined) else end
        start_m, end_m = (_along(first, run, k) for k in (begin, stop))
        out.append(Stretch(start_m, end_m, float(run.time_s[begin]), float(run.time_s[stop]), name))
    return tuple(out)


def _limit(name: str, opened: float, rising: bool, settings: ForecastSettings) -> Limit:
    """The throttle scales both current limits: short of full it is the ramp at first, the driver's hand later."""
    if name in ("current limit", "motor limit") and opened < settings.full_throttle:
        return "ramp" if rising else "throttle"
    return _NAMES[name]


def _along(seen: object, run: FittedPass, k: int) -> float:
    """Metres along the line: the launch's place and the driven distance."""
    launch = run.observed.launch_along_m
    return float(launch + run.observed.heading_sign * run.travel_m[k])


def together(
    passes: Sequence[tuple[Pass, CarFacts]], settings: ForecastSettings | None = None
) -> RoadLoad:  # fmt: skip
    """The road load of several passes' coasts, both directions together; why not where none coasted."""
    settings = settings or ForecastSettings()
    coasts, reasons = [], []
    for found, facts in passes:
        seen = observe(found, facts, settings)
        coast = "the logs show no run-up" if seen is None else coast_of(found, seen, facts, settings)
        if isinstance(coast, str):
            reasons.append(coast)
        else:
            coasts.append(coast)
    return (
        road_load(coasts, settings)
        if coasts
        else RoadLoad(why_not={"": reasons[0] if reasons else "no pass"})
    )
