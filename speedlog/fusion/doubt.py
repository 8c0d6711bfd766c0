"""Readings that no usual drive explains: the pass once more without them, at a price.

A run of wild speeds can be followed by a motion that is rough enough, or that changes its pull twice. So the
likeliest usual drive (a smooth pull, one lift, the brakes) is laid through the readings once more,
misfits weighed down; what it leaves far off is taken for wild, and the evidence of both accounts,
a strange drive with sound readings and a usual drive with wild ones, decides.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.lifts import Branch, branches, likeliest
from speedlog.fusion.model import reweighed, solve
from speedlog.fusion.motion import Roughness, make_steps
from speedlog.fusion.settle import WILD, Settled, student_weight
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
_ROUNDS = 3


@dataclass(frozen=True, eq=False)
class Doubted:
    """The pass without the readings in doubt, and the log of what leaving them out costs beforehand."""

    settled: Settled
    price: float


def doubted(
    found: Settled, stretch: tuple[float, float], every: list[Branch], settings: FusionSettings
) -> Doubted | None:
    """The account that holds the readings which a usual drive leaves far off for wild; None without any.

    Args:
        stretch: of time. every: its branches with all readings.
    """
    inside = (found.seen.time_s >= stretch[0]) & (found.seen.time_s <= stretch[1])
    trusted = found.weight * found.seen.variance > settings.doubt_from_weight
    variance, weight = found.seen.variance, found.weight
    usual = every[: settings.usual_levels]
    size = np.zeros(len(weight))
    for turn in range(_ROUNDS):
        size = np.where(inside, _misfit(usual) ** 2 / variance, 0.0)
        if turn == 0 and not (size[trusted] > settings.doubt_sds**2).any():
            return None
        weight = np.where(inside, student_weight(size, settings) / variance, found.weight)
        usual = branches(replace(found, weight=weight), stretch, settings, settings.usual_levels)
    size = np.where(inside, _misfit(usual) ** 2 / variance, 0.0)
    # a wheel's misfits follow one another: slip makes runs of them
    wild = (size > settings.doubt_sds**2) & trusted & (found.seen.channel < 2 * found.layout.gnss)
    if not wild.any():
        return None
    settled = replace(found, weight=np.where(wild, WILD / variance, found.weight))
    return Doubted(settled, _price(found, wild, settings))


def doubted_runs(found: Settled, stretch: tuple[float, float], settings: FusionSettings) -> Doubted | None:
    """The account without the runs of speeds of slow loggers that a shift of the whole run would explain better.

    With few readings a second even a usual drive bends to two wrong ones. So each short run gets a shift of
    its own, one after the other, under a motion of middling roughness; a shift beyond doubt is a proposal.
    """
    wild, total = np.zeros(len(found.weight), dtype=bool), 0.0
    current = found
    for _ in range(settings.doubt_most_runs):
        best = _clearest_run(current, stretch, settings)
        if best is None:
            break
        wild[best] = True
        total += float(np.log(settings.wild_begins) + (len(best) - 1) * np.log(settings.wild_lasts))
        current = replace(found, weight=np.where(wild, WILD / found.seen.variance, found.weight))
    return Doubted(current, total) if wild.any() else None


def _clearest_run(found: Settled, stretch: tuple[float, float], settings: FusionSettings) -> Ints | None:
    """The readings of the run whose own shift gains most likelihood; None where none gains more than it costs."""
    runs = _runs(found, stretch, settings)
    if not runs:
        return None
    rough = found.roughness(settings)
    inside = (found.knots_s[1:] > stretch[0]) & (found.knots_s[:-1] < stretch[1])
    middling = Roughness(settings.doubt_excess_mps3, settings.doubt_white_m2_s5)
    rough = [middling if here else item for here, item in zip(inside, rough, strict=True)]
    steps = make_steps(np.diff(found.knots_s), rough, found.layout, found.place_drift_s, settings)
    model = replace(reweighed(found.solved.model, found.weight), steps=steps)
    solved = solve(model, found.solved.mean)
    rows, d = model.rows, found.layout.size
    right = np.zeros((len(found.knots_s), d, len(runs)))
    own, pull = np.empty(len(runs)), np.empty(len(runs))
    for k, run in enumerate(runs):
        for reading in run:
            at, weighed = rows.before[reading], rows.row[reading] * found.weight[reading]
            right[at, :, k] += weighed[:d]
            right[at + 1, :, k] += weighed[d:]
        own[k], pull[k] = found.weight[run].sum(), found.weight[run] @ solved.misfit[run]
    flat = right.reshape(-1, len(runs))
    held = own - np.einsum("nk,nk->k", flat, solved.chain.solve(flat)) + settings.wild_speed_sd_mps**-2
    gain = 0.5 * (pull**2 / held - np.log(held * settings.wild_speed_sd_mps**2))
    gain += np.log(settings.wild_begins) + np.array([len(run) - 1 for run in runs]) * np.log(
        settings.wild_lasts
    )
    gain = np.where(np.abs(pull / held) > settings.doubt_least_mps, gain, -np.inf)
    best = int(np.argmax(gain))
    return runs[best] if gain[best] > 0 else None


def _runs(found: Settled, stretch: tuple[float, float], settings: FusionSettings) -> list[Ints]:
    """Short runs of trusted speeds of every slow logger within the stretch."""
    seen, out = found.seen, []
    for i, source in enumerate(found.gnss):
        if source.interval_s < settings.doubt_interval_s:
            continue
        usable = (seen.channel == 2 * i) & (seen.time_s >= stretch[0]) & (seen.time_s <= stretch[1])
        usable &= found.weight * seen.variance > settings.doubt_from_weight
        at = np.flatnonzero(usable)
        for length in settings.doubt_runs:
            out += [at[first : first + length] for first in range(len(at) - length + 1)]
    return out


def _misfit(usual: list[Branch]) -> Array:
    """(n,) misfit of each reading with the likeliest usual drive."""
    best, which = likeliest(usual)
    solved, rows = best.solved, best.solved.model.rows
    state = solved.mean
    for event, change in zip(best.answers.event[which], best.answers.change[which], strict=True):
        if event >= 0:
            state = state - best.response[:, :, event] * change
    both = np.concatenate([state[rows.before], state[rows.before + 1]], axis=1)
    return np.asarray(rows.value - np.einsum("nd,nd->n", rows.row, both) - rows.constant @ solved.constants)


def _price(found: Settled, wild: NDArray[np.bool_], settings: FusionSettings) -> float:
    """Wild readings come in runs: one begins rarely, and then lasts."""
    total = 0.0
    for channel in np.unique(found.seen.channel):
        run = wild[found.seen.channel == channel]
        begins = int(run[0]) + int((run[1:] & ~run[:-1]).sum()) if len(run) else 0
        lasts = int(run.sum()) - begins
        total += begins * float(np.log(settings.wild_begins)) + lasts * float(np.log(settings.wild_lasts))
    return total
