"""Noise, wild readings, lags and the constants of the wheels: settled before the fine work begins.

A free motion (it may change its pull anywhere) is laid through all readings, again and again: each
channel's noise follows its misfits (one step of expectation-maximisation a round), single misfits
are weighed down (Student's t with few degrees of freedom; Lange, Little, Taylor, J. Am. Stat. Assoc.
84 (1989) 881-896), and products of unknowns are taken round the newest motion.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.chain import believable
from speedlog.fusion.knots import make_knots
from speedlog.fusion.measure import GnssSource, Noise, WheelSource, measure_noise
from speedlog.fusion.model import Solved, make_model, solve
from speedlog.fusion.motion import ACCEL, ALONG, SPEED, Layout, Roughness
from speedlog.fusion.observe import WHEEL_CONSTANTS, Observations, Reference, observe
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
Stretch = tuple[float, float]
WILD = 1e-6  # weight of a wild reading: a thousand times its noise
_LEAST_WHEEL_SHARE = 0.1  # a wheel's misfits follow one another: it is never as good as they look


@dataclass(frozen=True, eq=False)
class Settled:
    """A pass with everything settled but the fine motion near the trap and the peak.

    Attributes:
        gnss, wheels: the sources, with what was found of lags, scales and clocks taken in.
        noises: of each GNSS logger. late: the loggers whose lag is one of the constants.
        seen: the readings; weight: (n,) 1 / variance, misfits weighed down.
        place_drift_s: (gnss,) time constant of each logger's slow place error.
        close: the stretches of time to look at closely. solved: the free motion.
    """

    gnss: tuple[GnssSource, ...]
    wheels: tuple[WheelSource, ...]
    noises: tuple[Noise, ...]
    late: tuple[int, ...]
    layout: Layout
    seen: Observations
    weight: Array
    place_drift_s: Array
    close: tuple[Stretch, ...]
    knots_s: Array
    solved: Solved

    @property
    def accel_mps2(self) -> Array:
        return np.asarray(self.solved.mean[:, ACCEL])

    @property
    def speed_mps(self) -> Array:
        return np.asarray(self.solved.mean[:, SPEED])

    def roughness(self, settings: FusionSettings) -> list[Roughness]:
        """One a step: as rough as the free motion changes its pull thereabouts.

        A motion held rougher than it is makes every explanation alike that smooths; held smoother, it would
        bend the launch and the stop.
        """
        time = np.arange(self.knots_s[0], self.knots_s[-1], settings.wide_knot_s)
        if len(time) < 3:
            return [free(settings)] * (len(self.knots_s) - 1)
        jerk = np.abs(np.gradient(np.interp(time, self.knots_s, self.accel_mps2), settings.wide_knot_s))
        around = np.maximum.reduce([jerk, np.roll(jerk, 1), np.roll(jerk, -1)])
        there = np.interp((self.knots_s[1:] + self.knots_s[:-1]) / 2, time, around)
        levels = np.array(settings.excess_levels_mps3)
        chosen = levels[np.minimum(np.searchsorted(levels, there), len(levels) - 1)]
        share = settings.free_white_m2_s5 / settings.free_excess_mps3**2
        return [Roughness(float(item), float(item**2 * share)) for item in chosen]

    def lag(self, logger: int) -> tuple[float, float]:
        """Seconds by which a logger's speed is late, and their standard uncertainty."""
        known = self.gnss[logger].speed_lag_s
        if logger not in self.late:
            return known, 0.0
        at = self.late.index(logger)
        return known + float(self.solved.constants[at]), float(np.sqrt(self.solved.constant_cov[at, at]))


def free(settings: FusionSettings) -> Roughness:
    """The motion that may do anything."""
    return Roughness(settings.free_excess_mps3, settings.free_white_m2_s5)


def settle(
    gnss: list[GnssSource], wheels: list[WheelSource], beams_m: tuple[float, float] | None,
    settings: FusionSettings, rounds: int | None = None,
) -> Settled | None:  # fmt: skip
    """The free motion of a pass, with noise, lags and wheels settled; None where too little was measured.

    Args:
        gnss: at least one with positions. wheels: aligned to within `wheel_clock_sd_s`.
        beams_m: travel at the trap's beams; the knots reach them where a log starts or ends inside.
        rounds: fewer will do where the GNSS loggers were settled before.
    """
    if sum(int(item.speed_ok.sum() + item.place_ok.sum()) for item in gnss) < 4:
        return None
    if not any(item.place_ok.any() for item in gnss):
        return None
    heard = np.concatenate([item.time_s[item.speed_ok | item.place_ok] for item in gnss])
    if np.ptp(heard) < settings.shortest_pass_s:
        return None
    noises = [measure_noise(item, settings) for item in gnss]
    found = _first(gnss, wheels, noises, beams_m, settings)
    every = tuple(i for i, item in enumerate(gnss) if item.place_ok.any() and item.speed_ok.any())
    for _ in range(rounds or settings.robust_rounds):
        found = _again(found, every, beams_m, settings)
    return _surely_late(found, beams_m, settings)


def _first(
    gnss: list[GnssSource], wheels: list[WheelSource], noises: list[Noise],
    beams_m: tuple[float, float] | None, settings: FusionSettings,
) -> Settled:  # fmt: skip
    layout = _layout(gnss, wheels, settings)
    seen = observe(gnss, noises, wheels, layout, None, (), settings)
    before, after = _beyond(seen, layout, beams_m)
    knots = make_knots(
        float(seen.time_s[0]) - before, float(seen.time_s[-1]) + after, (), 1.0, settings.wide_knot_s
    )
    drift = _place_drift_times(noises, settings)
    weight = np.where(_begin_with(gnss, noises, seen, settings), 1 / seen.variance, WILD / seen.variance)
    model = make_model(seen, knots, [free(settings)] * (len(knots) - 1), layout, drift, weight, settings)
    return Settled(
        tuple(gnss), tuple(wheels), tuple(noises), (), layout, seen, weight, drift, (), knots, solve(model)
    )


def _layout(gnss: list[GnssSource], wheels: list[WheelSource], settings: FusionSettings) -> Layout:
    filters = tuple(item.speed_filter_s for item in gnss)
    return Layout(len(gnss), filters, tuple(item.wander(settings) for item in wheels))


def _begin_with(
    gnss: list[GnssSource], noises: list[Noise], seen: Observations, settings: FusionSettings
) -> NDArray[np.bool_]:
    """(n,) the readings to begin with: all but those that no car can have made."""
    good = np.ones(len(seen.channel), dtype=bool)
    for i, (source, noise) in enumerate(zip(gnss, noises, strict=True)):
        for channel, chosen in zip((2 * i, 2 * i + 1), believable(source, noise, settings), strict=True):
            good[seen.channel == channel] = chosen
    return good


def _again(
    found: Settled, late: tuple[int, ...], beams_m: tuple[float, float] | None, settings: FusionSettings
) -> Settled:
    """One more round: noise and weights by the misfits, constants taken in, knots by the motion."""
    noises, weight, variance = _reweighed(found, settings)
    gnss, wheels = _taken_in(found)
    layout = _layout(gnss, wheels, settings)
    reference = Reference(found.knots_s, found.accel_mps2)
    close = _close_stretches(found, beams_m, settings)
    knots = make_knots(
        float(found.knots_s[0]), float(found.knots_s[-1]), close, settings.close_knot_s, settings.wide_knot_s
    )
    seen = observe(gnss, noises, wheels, layout, reference, late, settings)
    order = np.argsort(seen.channel, kind="stable")
    back = np.argsort(found.seen.channel, kind="stable")
    fresh, spread = np.empty(len(weight)), np.empty(len(weight))
    fresh[order], spread[order] = weight[back], variance[back]  # readings move in time, not in their channel
    seen = replace(seen, variance=spread)
    near = np.stack([np.interp(knots, found.knots_s, column) for column in found.solved.mean.T], axis=1)
    model = make_model(
        seen, knots, [free(settings)] * (len(knots) - 1), layout, found.place_drift_s, fresh, settings
    )
    solved = solve(model, near if near.shape[1] == layout.size else None)
    return Settled(
        tuple(gnss), tuple(wheels), tuple(noises), late, layout, seen, fresh, found.place_drift_s, close,
        knots, solved,
    )  # fmt: skip


def _surely_late(found: Settled, beams_m: tuple[float, float] | None, settings: FusionSettings) -> Settled:
    """Lags that may well be nothing are taken for nothing: most loggers have none."""
    keep = []
    for i in found.late:
        lag, u = found.lag(i)
        if settings.lag_sds * u < lag < settings.lag_most_s:
            keep.append(i)
    if len(keep) == len(found.late):
        return found
    none = {i for i in found.late if i not in keep}
    gnss = tuple(
        replace(item, speed_delay_s=0.0, speed_filter_s=0.0) if i in none else item
        for i, item in enumerate(found.gnss)
    )
    solved = found.solved
    held = np.array([solved.constants[k] if i in keep else 0.0 for k, i in enumerate(found.late)])
    held = np.concatenate([held, solved.constants[len(found.late) :]])
    bare = replace(found, gnss=gnss, solved=replace(solved, constants=held))
    return _again(bare, tuple(keep), beams_m, settings)


def _taken_in(found: Settled) -> tuple[list[GnssSource], list[WheelSource]]:
    """The sources with the constants found so far."""
    gnss, wheels = list(found.gnss), list(found.wheels)
    constants = found.solved.constants
    if not len(constants):
        return gnss, wheels
    for at, i in enumerate(found.late):
        late = float(constants[at])
        if gnss[i].speed_filter_s:
            gnss[i] = replace(gnss[i], speed_filter_s=max(gnss[i].speed_filter_s + late, 0.01))
        else:
            gnss[i] = replace(gnss[i], speed_delay_s=gnss[i].speed_delay_s + late)
    for i, wheel in enumerate(wheels):
        first = len(found.late) + WHEEL_CONSTANTS * i
        wheels[i] = wheel.moved(constants[first : first + WHEEL_CONSTANTS])
    return gnss, wheels


def _reweighed(found: Settled, settings: FusionSettings) -> tuple[list[Noise], Array, Array]:
    """Noise of each logger, and weight and variance of each reading, by the misfits."""
    seen, layout, misfit = found.seen, found.layout, found.solved.misfit
    known = _known(found)
    variance, fresh = seen.variance.copy(), list(found.noises)
    for channel in np.unique(seen.channel):
        of = seen.channel == channel
        # clipped: a wild reading must not make its logger's whole channel look noisy
        square = np.minimum(misfit[of] ** 2, settings.robust_limit**2 * variance[of])
        square = square + np.minimum(known[of], variance[of])
        # the noise of a poor fix says little of the others': where there are enough, they alone tell
        sound = seen.looseness[of] == 1.0
        told = sound if sound.sum() >= settings.speed_noise_weight else np.ones(len(sound), dtype=bool)
        prior, count = settings.speed_noise_weight, int(told.sum())
        share = (prior + count * float(np.mean((square / variance[of])[told]))) / (prior + count)
        logger, is_place = divmod(int(channel), 2)
        if channel >= 2 * layout.gnss:
            least = _LEAST_WHEEL_SHARE * settings.wheel_noise_floor_mps**2
            variance[of] = np.maximum(variance[of] * share, least)
        elif is_place:
            sd = max(fresh[logger].place_m * float(np.sqrt(share)), settings.place_noise_floor_m)
            fresh[logger] = replace(fresh[logger], place_m=sd)
            variance[of] = (sd * seen.looseness[of]) ** 2
        else:
            sd = max(fresh[logger].speed_mps * float(np.sqrt(share)), settings.speed_noise_floor_mps)
            fresh[logger] = replace(fresh[logger], speed_mps=sd)
            variance[of] = (sd * seen.looseness[of]) ** 2
    return fresh, student_weight(misfit**2 / variance, settings) / variance, variance


def student_weight(size: Array, settings: FusionSettings) -> Array:
    """(n,) weight of readings by their squared misfit in variances: Student's t outside what is trusted.

    Beyond any noise a reading says nothing: with a little weight left it would draw the motion to itself,
    round by round.
    """
    tail = (settings.student_freedom + settings.trusted_sds**2) / (settings.student_freedom + size)
    weight = np.where(size > settings.trusted_sds**2, tail, 1.0)
    return np.where(size > settings.wild_sds**2, WILD, weight)


def _known(found: Settled) -> Array:
    """(n,) variance of the model at each reading, taken at the nearer knot, the constants held.

    With them the reading's own row would be needed too: a lag and a speed are unsure against each other.
    """
    rows, d = found.solved.model.rows, found.layout.size
    spread = found.solved.chain.variances()
    later = np.abs(rows.row[:, d:]).sum(axis=1) > np.abs(rows.row[:, :d]).sum(axis=1)
    knot = rows.before + later
    row = np.zeros((len(knot), d))
    row[:, :3] = found.seen.motion
    every = np.arange(len(knot))
    row[every, found.seen.drift_at] += found.seen.drift_factor
    filtered = found.seen.filter_at >= 0
    row[every[filtered], found.seen.filter_at[filtered]] = 1.0
    return np.asarray(np.vecdot(np.vecmat(row, spread[knot]), row))


def _place_drift_times(noises: list[Noise], settings: FusionSettings) -> Array:
    """Time constants that give each logger's place the wander seen, within what receivers do."""
    wander = np.array([item.place_drift_m2_s for item in noises])
    # the speed's own drift has a part in it: over a second its square
    wander = np.maximum(wander - settings.speed_drift_sd_mps**2, 1e-9)
    slowest, fastest = settings.place_drift_slowest_s, settings.place_drift_fastest_s
    return np.asarray(np.clip(2 * settings.place_sd_m**2 / wander, fastest, slowest))


def _beyond(seen: Observations, layout: Layout, reach_m: tuple[float, float] | None) -> tuple[float, float]:
    """How long the knots must go on, at the speed of the end, to reach the trap's beams."""
    place, speed = seen.places(layout), seen.speeds(layout)
    if reach_m is None or not place.any() or not speed.any():
        return 0.0, 0.0
    longest = 3.0
    first, last = seen.value[place][0], seen.value[place][-1]
    before = (first - reach_m[0] + 5.0) / max(seen.value[speed][0], 5.0) if first > reach_m[0] - 5.0 else 0.0
    after = (reach_m[1] - last + 5.0) / max(seen.value[speed][-1], 5.0) if last < reach_m[1] + 5.0 else 0.0
    return float(np.clip(before, 0, longest)), float(np.clip(after, 0, longest))


def _close_stretches(
    found: Settled, beams_m: tuple[float, float] | None, settings: FusionSettings
) -> tuple[Stretch, ...]:
    """Trap and peak, each with the hole in the readings that it may lie in, and some time on both sides."""
    time, speed = found.knots_s, found.speed_mps
    peak = float(time[int(np.argmax(speed))])
    marks = [(peak, peak)]
    if beams_m is not None:
        beams = [_fastest_crossing(time, found.solved.mean[:, ALONG], speed, beam) for beam in beams_m]
        if None not in beams:
            marks.append((min(beams), max(beams)))  # type: ignore[type-var, arg-type]
    heard = np.unique(found.seen.time_s[found.seen.channel < 2 * found.layout.gnss])
    wide = []
    for first, last in marks:
        i, j = int(np.searchsorted(heard, first, "right")), int(np.searchsorted(heard, last))
        first = min(first, float(heard[max(i - 1, 0)])) - settings.close_before_s
        last = max(last, float(heard[min(j, len(heard) - 1)])) + settings.close_after_s
        wide.append((max(first, float(time[0])), min(last, float(time[-1]))))
    wide.sort()
    joined = [wide[0]]
    for first, last in wide[1:]:
        if first <= joined[-1][1] + settings.wide_knot_s:
            joined[-1] = (joined[-1][0], max(joined[-1][1], last))
        else:
            joined.append((first, last))
    return tuple(joined)


def _fastest_crossing(time: Array, along: Array, speed: Array, at_m: float) -> float | None:
    after = np.flatnonzero((along[1:] >= at_m) & (along[:-1] < at_m))
    if not len(after):
        return None
    k = int(after[np.argmax(speed[after])])
    share = (at_m - along[k]) / (along[k + 1] - along[k])
    return float(time[k] + share * (time[k + 1] - time[k]))
