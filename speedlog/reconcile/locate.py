"""Where the trap stands along the line, from passes whose trap figures are known.

The trap's length L is known by tape; where its first beam lies, x, is not. The mean speed of pass i
over [x, x + L], by its logs, is m_i(x) = L / |t_i(x + L) - t_i(x)|. Its trap figure o_i is then normal
round the mean of m_i(x + d), where d is the pass's own slow place error, with the covariance

    C_ij(x) = [u_figure_i² + u_logs_i(x)² + var_d m_i(x + d)] (i = j)  +  m_i m_j (u_L / L)²

u_figure: timer and rounding; u_logs: the estimate's speed error, ONE unknown a pass (it does not average
out along the line); u_L: the tape, common to all figures. Under a flat prior over the stretch searched the
posterior of x is the likelihood, on a grid: nothing is linearised in x, so that a second place that fits
as well shows. Bayes over a common unknown: GUM Supplement 1 (JCGM 101:2008), 6.4; the moments over d by
Gauss-Hermite quadrature (Abramowitz and Stegun 25.4.46); the quadratic form by Sherman and Morrison (1950).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from speedlog.reconcile.locate_doubts import Doubt, DoubtCode, Evidence, Rival, doubts_of
from speedlog.settings import LocateSettings

Array = NDArray[np.float64]
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_TINY_MPS = 1e-6

__all__ = ["Doubt", "DoubtCode", "FiguredPass", "Located", "locate", "mean_speed", "stretch_of"]


@dataclass(frozen=True, eq=False)
class FiguredPass:
    """A pass with a trap figure, as `locate` needs it. Arrays are (N,), in the order of time.

    Attributes:
        name: as the sentences call it ("pass 3").
        time_s, along_m, speed_mps: the estimate; `along_m` falls on a return pass.
        speed_sd_mps: standard uncertainty of the estimate's speed.
        official_mps: the trap figure.
        official_u_mps: its standard uncertainty by timer and rounding alone, without the tape's.
    """

    name: str
    time_s: Array
    along_m: Array
    speed_mps: Array
    speed_sd_mps: Array
    official_mps: float
    official_u_mps: float


@dataclass(frozen=True, eq=False)
class Located:
    """The trap's place by the passes.

    Attributes:
        entry_m: posterior mean of the first beam's place along the line.
        sd_m, interval95_m: its standard uncertainty and central 95 %, in the logs' frame.
        length_m: the trap's, as given.
        stretch_m: first and last place searched.
        place_m, density_per_m: (G,) the posterior over the whole stretch.
        chi_square, degrees: least misfit of all figures and its degrees of freedom.
        chance: probability of a misfit as large; None with one pass alone.
        misfits: by how many standard uncertainties each figure lies off at `entry_m`.
        doubts: what speaks against the result.
    """

    entry_m: float
    sd_m: float
    interval95_m: tuple[float, float]
    length_m: float
    stretch_m: tuple[float, float]
    place_m: Array
    density_per_m: Array
    chi_square: float
    degrees: int
    chance: float | None
    misfits: tuple[float, ...]
    doubts: tuple[Doubt, ...]

    @property
    def tells(self) -> bool:
        """Whether the passes can tell the place: no doubt that forbids using it."""
        return not any(doubt.forbids for doubt in self.doubts)


def locate(
    passes: Sequence[FiguredPass], length_m: float, length_u_m: float, settings: LocateSettings,
    between_m: tuple[float, float] | None = None,
) -> Located | None:  # fmt: skip
    """The posterior of the first beam's place; None where the passes share no stretch as long as the trap.

    Args:
        passes: at least one; those at too low a speed to cross a trap don't belong here.
        length_m, length_u_m: the trap's length by tape, and its standard uncertainty.
        between_m: where the whole trap is known to lie; the stretch that all passes share otherwise.
    """
    stretch = stretch_of(passes, length_m, settings, between_m)
    if stretch is None:
        return None
    count = max(round((stretch[1] - stretch[0]) / settings.grid_m), 2) + 1
    place = np.linspace(*stretch, count)
    mean, own = _predicted(passes, place, length_m, settings)
    official = np.array([item.official_mps for item in passes])
    misfit = official[:, None] - mean
    tape = mean * length_u_m / length_m
    squares, log_det = _quadratic(misfit, own, tape)
    density = _normalised(place, -0.5 * (squares + log_det))
    inside, rival = _main_part(place, density, settings)
    entry, sd, interval = _moments(place[inside], density[inside])
    least, degrees = float(squares.min()), len(passes) - 1
    at = int(np.argmin(np.abs(place - entry)))
    evidence = Evidence(
        names=tuple(item.name for item in passes),
        signs=tuple(1 if item.along_m[-1] > item.along_m[0] else -1 for item in passes),
        speed_mps=float(np.median(mean[:, at])),
        slopes=np.gradient(mean, place, axis=1)[:, at],
        variances=own[:, at],
        entry_m=entry, sd_m=sd, stretch_m=stretch,
        edge_share=float(max(density[0], density[-1]) / density.max()),
        rival=rival,
        chance=float(chdtrc(degrees, least)) if degrees else None,
        relief=_relief(misfit, own, tape, least),
    )  # fmt: skip
    return Located(
        entry, sd, interval, length_m, stretch, place, density, least, degrees, evidence.chance,
        tuple(misfit[:, at] / np.sqrt(own[:, at] + tape[:, at] ** 2)), doubts_of(evidence, settings),
    )  # fmt: skip


def stretch_of(
    passes: Sequence[FiguredPass], length_m: float, settings: LocateSettings,
    between_m: tuple[float, float] | None = None,
) -> tuple[float, float] | None:  # fmt: skip
    """First and last place of `entry_m` that all passes drove over at speed; None where there is none."""
    low, high = (0.0, np.inf) if between_m is None else between_m
    for item in passes:
        driven = item.along_m[_at_speed(item, settings)]
        low, high = max(low, float(driven.min())), min(high, float(driven.max()))
    last = high - length_m
    return (low, last) if last - low >= 2 * settings.grid_m else None


def mean_speed(item: FiguredPass, entry_m: Array, length_m: float, settings: LocateSettings) -> Array:
    """(G,) length over time between `entry_m` and `length_m` farther along; either direction."""
    at_speed = _at_speed(item, settings)
    time, along, speed = item.time_s[at_speed], item.along_m[at_speed], item.speed_mps[at_speed]
    if along[-1] < along[0]:
        time, along, speed = -time[::-1], along[::-1], speed[::-1]
    lasting = _time_at(entry_m + length_m, time, along, speed) - _time_at(entry_m, time, along, speed)
    return np.asarray(length_m / np.maximum(lasting, length_m * _TINY_MPS))


def _time_at(at_m: Array, time: Array, along: Array, speed: Array) -> Array:
    """When the car passes `at_m`: between nodes by the mean of both ends' slownesses, exact at both.

    Straight lines would make the mean speed jump wherever a beam meets a node: by a h / 8 of the place
    within a step h, too little to see in a speed but not beside a grid of 0.1 m.
    """
    k = np.clip(np.searchsorted(along, at_m, side="right") - 1, 0, len(along) - 2)
    way, lasting = along[k + 1] - along[k], time[k + 1] - time[k]
    x = (np.clip(at_m, along[0], along[-1]) - along[k]) / np.maximum(way, 1e-9)
    begin, end = way / np.maximum(speed[k], 0.1), way / np.maximum(speed[k + 1], 0.1)
    c2, c3 = 3 * lasting - 2 * begin - end, begin + end - 2 * lasting
    return np.asarray(time[k] + x * (begin + x * (c2 + x * c3)))


def _at_speed(item: FiguredPass, settings: LocateSettings) -> NDArray[np.bool_]:
    """(N,) the unbroken stretch round the top speed that is faster than a car is carried, ever onward."""
    way = item.along_m if item.along_m[-1] > item.along_m[0] else -item.along_m
    onward = np.concatenate([[True], np.diff(way) > 0])
    ok = (item.speed_mps > settings.slowest_mps) & onward
    top = int(np.argmax(np.where(ok, item.speed_mps, -np.inf)))
    begin = int(np.flatnonzero(~ok[: top + 1])[-1]) + 1 if not ok[: top + 1].all() else 0
    stop = top + int(np.flatnonzero(~ok[top:])[0]) if not ok[top:].all() else len(ok)
    found = np.zeros(len(ok), dtype=bool)
    found[min(begin, top) : stop] = True
    return found


def _predicted(
    passes: Sequence[FiguredPass], place: Array, length_m: float, settings: LocateSettings
) -> tuple[Array, Array]:
    """(P, G) mean of each figure expected at each place, and the variance that is its pass's own."""
    shifts = settings.place_sd_m * _NODES
    mean, own = np.empty((len(passes), len(place))), np.empty((len(passes), len(place)))
    for i, item in enumerate(passes):
        values = np.array([mean_speed(item, place + d, length_m, settings) for d in shifts])
        mean[i] = _WEIGHTS @ values
        spread = _WEIGHTS @ (values - mean[i]) ** 2
        sd = settings.band_widening * _mean_sd(item, place, length_m)
        own[i] = np.maximum(item.official_u_mps, _TINY_MPS) ** 2 + sd**2 + spread
    return mean, own


def _mean_sd(item: FiguredPass, place: Array, length_m: float) -> Array:
    """(G,) the speed's standard uncertainty over the trap: errors so near to each other are one error."""
    order = np.argsort(item.along_m, kind="stable")
    along, sd = item.along_m[order], item.speed_sd_mps[order]
    offsets = np.linspace(0.0, length_m, 7)
    return np.asarray(np.mean([np.interp(place + part, along, sd) for part in offsets], axis=0))


def _quadratic(misfit: Array, own: Array, tape: Array) -> tuple[Array, Array]:
    """(G,) r' C^-1 r and ln det C, for C = diag(own) + tape tape' at each place."""
    weighted = tape / own
    along, size = (weighted * misfit).sum(0), 1 + (weighted * tape).sum(0)
    return (misfit**2 / own).sum(0) - along**2 / size, np.log(own).sum(0) + np.log(size)


def _relief(misfit: Array, own: Array, tape: Array, least: float) -> Array:
    """(P,) by how much the least misfit falls when one pass is left out."""
    if len(misfit) < 2:
        return np.zeros(len(misfit))
    rest = [np.arange(len(misfit)) != i for i in range(len(misfit))]
    return np.array([least - _quadratic(misfit[keep], own[keep], tape[keep])[0].min() for keep in rest])


def _normalised(place: Array, log_density: Array) -> Array:
    density = np.exp(log_density - log_density.max())
    return np.asarray(density / np.trapezoid(density, place))


def _main_part(
    place: Array, density: Array, settings: LocateSettings
) -> tuple[NDArray[np.bool_], Rival | None]:
    """The part of the posterior that holds most of it, and the likeliest place outside it."""
    dense = density > settings.valley_share * density.max()
    edges = np.flatnonzero(np.diff(np.concatenate([[False], dense, [False]]).astype(int)))
    weight = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2 * np.diff(place))])
    starts, stops = edges[::2], edges[1::2] - 1
    best = int(np.argmax(weight[stops] - weight[starts]))
    inside = np.zeros(len(place), dtype=bool)
    inside[starts[best] : stops[best] + 1] = True
    outside = 1.0 - float(weight[stops[best]] - weight[starts[best]])
    if inside.all():
        return inside, None
    return inside, Rival(float(place[np.argmax(np.where(inside, 0.0, density))]), outside)


def _moments(place: Array, density: Array) -> tuple[float, float, tuple[float, float]]:
    """Mean, standard deviation and central 95 % of a density on a grid."""
    if len(place) < 2:
        return float(place[0]), 0.0, (float(place[0]), float(place[0]))
    total = np.trapezoid(density, place)
    mean = float(np.trapezoid(density * place, place) / total)
    sd = float(np.sqrt(max(np.trapezoid(density * (place - mean) ** 2, place) / total, 0.0)))
    below = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2 * np.diff(place))]) / total
    return mean, sd, (float(np.interp(0.025, below, place)), float(np.interp(0.975, below, place)))
