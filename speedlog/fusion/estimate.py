"""The motion of one pass from all its sources: build the model, smooth, weigh misfits down, again."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.measure import GnssSource, Noise, Observations, WheelSource, measure_noise, observe
from speedlog.fusion.motion import ACCEL, ALONG, SPEED, Layout, dynamics, start
from speedlog.fusion.smoother import LinearModel, Smoothed, Wild, smooth
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
_SETTLING_SHARE = 4  # the rounds that only settle the noise go without three paths in four
_SPARSE = 1.5  # nodes a reading; a slow log leaves its paths undecided for longer
_SPARSE_FACTOR = 4
_LEAST_WEIGHT = 1e-5
_LEAST_WHEEL_SHARE = 0.1  # a wheel's misfits follow one another: it is never as good as they look


@dataclass(frozen=True, eq=False)
class Motion:
    """The posterior of a pass at K nodes, in the direction of travel.

    Attributes:
        time_s: (K,) on the pass's common clock.
        smoothed: the mixture over hypotheses.
        noises: what was found of each GNSS logger's noise.
        heard_s: (n,) sorted times at which some source spoke.
    """

    time_s: Array
    smoothed: Smoothed
    noises: tuple[Noise, ...]
    heard_s: Array

    def moments(self, at: int) -> tuple[Array, Array]:
        """(K,) mean and standard deviation of one state over the whole mixture."""
        weight, mean = self.smoothed.weight, self.smoothed.mean[:, :, at]
        centre = mean @ weight
        spread = (self.smoothed.cov[:, :, at, at] + (mean - centre[:, None]) ** 2) @ weight
        return centre, np.sqrt(np.maximum(spread, 0.0))

    @property
    def travel_m(self) -> Array:
        return self.moments(ALONG)[0]

    @property
    def speed_mps(self) -> Array:
        return self.moments(SPEED)[0]

    @property
    def accel_mps2(self) -> Array:
        return self.moments(ACCEL)[0]


def estimate_motion(
    gnss: list[GnssSource],
    wheels: list[WheelSource],
    reach_m: tuple[float, float] | None,
    settings: FusionSettings,
) -> Motion | None:
    """The motion of one pass; None where no source holds enough to say anything.

    Args:
        gnss: the GNSS loggers' readings, faulty ones marked.
        wheels: wheel logs, aligned.
        reach_m: travel at the trap's two beams: the nodes are carried on to reach them where a log
            starts or ends inside the trap.
    """
    layout = Layout(len(gnss), len(wheels), tuple(source.speed_filter_s for source in gnss))
    noises = [measure_noise(source, settings) for source in gnss]
    seen = observe(gnss, noises, wheels, layout, settings)
    if len(seen.time_s) < 4 or not any(source.place_ok.any() for source in gnss):
        return None
    time, node = make_nodes(seen.time_s, _extra_time(seen, layout, reach_m), settings)
    sparse = len(time) > _SPARSE * len(np.unique(node))
    most = settings.most_hypotheses * (_SPARSE_FACTOR if sparse else 1)
    base = weighted = seen.variance
    for _ in range(settings.robust_rounds - 1):
        found = smooth(_model(seen, weighted, time, node, layout, noises, settings), most // _SETTLING_SHARE)
        noises, base, weighted = _reweigh(seen, base, found, node, layout, noises, settings)
    found = smooth(_model(seen, weighted, time, node, layout, noises, settings), most)
    return Motion(time, _without_the_unlikely(found), tuple(noises), np.unique(seen.time_s))


def make_nodes(
    obs_time: Array, beyond_s: tuple[float, float], settings: FusionSettings
) -> tuple[Array, NDArray[np.int64]]:
    """(K,) node times and (n,) the node of each observation; long steps are cut, near ones joined.

    Args:
        obs_time: (n,) sorted.
        beyond_s: seconds by which the nodes reach out before the first and after the last.
    """
    fresh = np.concatenate([[True], np.diff(obs_time) > 0])
    base: list[float] = []
    of_unique = np.empty(int(fresh.sum()), dtype=np.int64)
    for i, moment in enumerate(obs_time[fresh]):
        if not base or moment - base[-1] > settings.finest_node_s:
            base.append(float(moment))
        of_unique[i] = len(base) - 1
    of_obs = of_unique[np.cumsum(fresh) - 1]
    pieces, at, count = [], np.empty(len(base), dtype=np.int64), 0
    edges = [base[0] - beyond_s[0], *base, base[-1] + beyond_s[1]]
    for i in range(len(edges) - 1):
        if i > 0:
            at[i - 1] = count
        span = edges[i + 1] - edges[i]
        parts = max(1, int(np.ceil(span / settings.widest_node_s - 1e-9))) if span > 0 else 0
        pieces.append(edges[i] + span * np.arange(parts) / max(parts, 1))
        count += parts
        if i == len(edges) - 2:
            pieces.append(np.array([edges[-1]]))
    return np.concatenate(pieces), at[of_obs]


def _extra_time(
    seen: Observations, layout: Layout, reach_m: tuple[float, float] | None
) -> tuple[float, float]:
    """How long the nodes must go on, at the speed of the end, to reach the trap's beams."""
    if reach_m is None:
        return 0.0, 0.0
    place = seen.places(layout)
    speed = ~place
    if not place.any() or not speed.any():
        return 0.0, 0.0
    longest = 3.0
    first, last = seen.value[place][0], seen.value[place][-1]
    before = (first - reach_m[0] + 5.0) / max(seen.value[speed][0], 5.0) if first > reach_m[0] - 5.0 else 0.0
    after = (reach_m[1] - last + 5.0) / max(seen.value[speed][-1], 5.0) if last < reach_m[1] + 5.0 else 0.0
    return float(np.clip(before, 0, longest)), float(np.clip(after, 0, longest))


def _model(
    seen: Observations, variance: Array, time: Array, node: NDArray[np.int64], layout: Layout,
    noises: list[Noise], settings: FusionSettings,
) -> LinearModel:  # fmt: skip
    drift = np.array([noise.place_drift_m2_s for noise in noises])
    transition, noise, jump, chance = dynamics(np.diff(time), layout, drift, settings)
    place = seen.places(layout)
    speed = ~place
    along = float(seen.value[place][0])
    begin = float(seen.value[speed][0]) if speed.any() else 0.0
    mean, cov = start(layout, along, begin, settings)
    sd = np.full(2 * layout.gnss + layout.wheels, settings.wild_speed_sd_mps)
    sd[1 : 2 * layout.gnss : 2] = settings.wild_place_sd_m
    wild = Wild(settings.wild_begins, settings.wild_lasts, sd)
    return LinearModel(
        transition, noise, jump, chance, mean, cov, node, seen.row, seen.value, variance, seen.channel, wild
    )


def _reweigh(
    seen: Observations, base: Array, found: Smoothed, node: NDArray[np.int64], layout: Layout,
    noises: list[Noise], settings: FusionSettings,
) -> tuple[list[Noise], Array, Array]:  # fmt: skip
    """New noise by one step of expectation-maximisation, and single misfits weighed down (Huber 1964).

    Returns:
        The noises, each observation's variance by them, and that variance with misfits weighed down.
    """
    mean = np.einsum("khd,h->kd", found.mean, found.weight)
    misfit = seen.value - np.einsum("nd,nd->n", seen.row, mean[node])
    best = int(np.argmax(found.weight))
    known = np.einsum("nd,nde,ne->n", seen.row, found.cov[node, best], seen.row)
    fresh, base = list(noises), base.copy()
    for channel in np.unique(seen.channel):
        of = seen.channel == channel
        # misfits are clipped: a wild reading must not make its logger's whole channel look noisy
        square = np.minimum(misfit[of] ** 2, settings.robust_limit**2 * base[of]) + known[of]
        count, weight = int(of.sum()), settings.speed_noise_weight
        share = (weight + count * float(np.mean(square / base[of]))) / (weight + count)
        logger, is_place = divmod(int(channel), 2)
        if channel >= 2 * layout.gnss:
            base[of] = np.maximum(base[of] * share, seen.variance[of] * _LEAST_WHEEL_SHARE)
        elif is_place:
            sd = max(noises[logger].place_m * float(np.sqrt(share)), settings.place_noise_floor_m)
            fresh[logger] = replace(fresh[logger], place_m=sd)
            base[of] = sd**2
        else:
            sd = max(noises[logger].speed_mps * float(np.sqrt(share)), settings.speed_noise_floor_mps)
            fresh[logger] = replace(fresh[logger], speed_mps=sd)
            base[of] = sd**2
    size = np.abs(misfit) / np.sqrt(base)
    return fresh, base, base * np.maximum(1.0, size / settings.robust_limit)


def _without_the_unlikely(found: Smoothed) -> Smoothed:
    keep = found.weight > _LEAST_WEIGHT * found.weight.max()
    weight = found.weight[keep]
    return Smoothed(
        weight / weight.sum(), found.label[keep], found.jumps[keep], found.mean[:, keep], found.cov[:, keep],
        found.gain[:, keep], found.log_likelihood,
    )  # fmt: skip
