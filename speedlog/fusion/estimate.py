"""The motion of one pass from all its sources: settle what can be settled, then weigh every answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.answers import NONE
from speedlog.fusion.doubt import Doubted, doubted, doubted_runs
from speedlog.fusion.lag import Lag, candidates, mixed
from speedlog.fusion.lifts import Branch, branches, unchanged_evidence
from speedlog.fusion.measure import GnssSource, Noise, WheelSource
from speedlog.fusion.motion import ACCEL, ALONG, SPEED
from speedlog.fusion.settle import Settled, settle
from speedlog.fusion.smoother import Chain
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
_COLUMNS = ("travel_m", "speed_mps", "accel_mps2", "speed_sd_mps")


@dataclass(frozen=True, eq=False)
class Paths:
    """H likely courses of a pass through one stretch of time, all under one roughness.

    Attributes:
        time_s: (W,) the stretch's knots; first: the place of the first among all knots.
        weight: (H,) of all paths of the stretch together they sum to 1.
        state: (H, W, 3) along, speed, acceleration.
        event_s: (H, 2) when the acceleration changed, NaN for no change; width_s: (H, 2) over how long.
        event: (H, 2) into `response`; change_cov: (H, 2, 2).
        response: (W, 3, E + 1) by which a unit change takes the state off; the last is for no change.
        chain, reach, constant_cov: covariances with no change (`speedlog.fusion.model.Solved`).
    """

    time_s: Array
    first: int
    weight: Array
    state: Array
    event_s: Array
    width_s: Array
    event: Ints
    change_cov: Array
    response: Array
    chain: Chain
    reach: Array
    constant_cov: Array


@dataclass(frozen=True, eq=False)
class Motion:
    """The posterior of a pass at K knots, in the direction of travel. Arrays are (K,).

    Attributes:
        speed_sd_mps: standard deviation of the speed.
        noises: what was found of each GNSS logger's noise.
        lags: how late its speed comes, over all likely accounts: as a delay, as a filter, or not at all.
        gnss, wheels: the sources, with what was found of lags, scales and clocks taken in.
        stretches: the paths through each stretch looked at closely.
        wander: of each wheel's scale, as a logarithm, beside its constants.
    """

    time_s: Array
    travel_m: Array
    speed_mps: Array
    accel_mps2: Array
    speed_sd_mps: Array
    noises: tuple[Noise, ...]
    lags: tuple[Lag, ...]
    gnss: tuple[GnssSource, ...]
    wheels: tuple[WheelSource, ...]
    stretches: tuple[tuple[Paths, ...], ...]
    wander: tuple[Array, ...] = ()


def estimate_motion(
    gnss: list[GnssSource], wheels: list[WheelSource], beams_m: tuple[float, float] | None,
    settings: FusionSettings,
) -> Motion | None:  # fmt: skip
    """Fuse all sources of a pass; None where too little was measured.

    Args:
        gnss: at least one with positions. wheels: their logs, aligned.
        beams_m: travel at the trap's two beams.
    """
    return decided(accounts(gnss, wheels, beams_m, settings), settings)


def accounts(
    gnss: list[GnssSource], wheels: list[WheelSource], beams_m: tuple[float, float] | None,
    settings: FusionSettings, delay_u_s: Sequence[float] = (),
) -> tuple[Settled, ...]:  # fmt: skip
    """The pass settled under each likely account of which speed comes late, and how; the likeliest first.

    Args:
        delay_u_s: of each logger, how unsure a delay against the others is that was taken off it.
    """
    choices = candidates(gnss, settings, delay_u_s)
    found = [item for choice in choices if (item := settle(choice, wheels, beams_m, settings)) is not None]
    found.sort(key=lambda item: -item.solved.log_evidence)
    return tuple(
        item
        for item in found
        if item.solved.log_evidence > found[0].solved.log_evidence - settings.account_margin
    )


def decided(found: Sequence[Settled], settings: FusionSettings) -> Motion | None:
    """The motion with every answer about lifts and brakes weighed, under every account; None without any."""
    if not found:
        return None
    every: list[list[list[Branch]]] = []
    totals: list[float] = []
    extra: list[Doubted] = []
    for item in found:
        of_account = [branches(item, stretch, settings) for stretch in item.close]
        every.append(of_account)
        totals.append(_account_total(item, of_account, settings))
        for stretch, of_stretch in zip(item.close, of_account, strict=True):
            either = (doubted(item, stretch, of_stretch, settings), doubted_runs(item, stretch, settings))
            extra += [again for again in either if again is not None and not _known(again, extra)]
    for again in extra:
        of_account = [branches(again.settled, stretch, settings) for stretch in again.settled.close]
        every.append(of_account)
        totals.append(again.price + _account_total(again.settled, of_account, settings))
    found = (*found, *(item.settled for item in extra))
    order = sorted(range(len(found)), key=lambda i: -totals[i])
    share = np.exp(np.array(totals) - totals[order[0]])
    share = share / share.sum()
    best = found[order[0]]
    stretches = [
        _stretch(of_stretch, 1.0 if len(share) == 1 else float(share[order[0]]), settings)
        for of_stretch in every[order[0]]
    ]
    mean = best.solved.mean[:, :3].copy()
    variance = np.zeros(len(mean))
    for paths, of_stretch in zip(stretches, every[order[0]], strict=True):
        first, last = of_stretch[0].first, of_stretch[0].last
        heaviest = max(of_stretch, key=lambda item: float(item.answers.log_weight.max()))
        held = heaviest.solved.variances()[:, SPEED, SPEED]
        variance = np.where(variance > 0, variance, held)
        mean[first : last + 1], spread = _moments(paths)
        variance[first : last + 1] = held[first : last + 1] + spread
    for i in order[1:]:
        # another account looks at the same stretches, but for a knot or two
        if share[i] > settings.least_account and len(every[i]) == len(stretches):
            for k, of_stretch in enumerate(every[i]):
                stretches[k] += _stretch(of_stretch, float(share[i]), settings)
    lags = tuple(
        mixed([Lag(*item.lag(i)) for item in found], share, settings.lag_model_u_s)
        for i in range(len(best.gnss))
    )
    return Motion(
        best.knots_s, mean[:, ALONG], mean[:, SPEED], mean[:, ACCEL], np.sqrt(np.maximum(variance, 0.0)),
        best.noises, lags, best.gnss, best.wheels, tuple(stretches), _wander(best),
    )  # fmt: skip


def either(motions: Sequence[Motion], weight: Sequence[float]) -> Motion:
    """Motions of one pass under hypotheses that exclude each other, as one; the likeliest gives knots and sources.

    Args:
        weight: probability of each; their sum is 1.
    """
    best = motions[int(np.argmax(weight))]
    rows = [
        np.stack([np.interp(best.time_s, item.time_s, getattr(item, name)) for name in _COLUMNS])
        for item in motions
    ]
    mean = np.einsum("m,mck->ck", np.asarray(weight), np.stack(rows)[:, :3])
    variance = sum(
        share * (row[3] ** 2 + (row[1] - mean[1]) ** 2) for share, row in zip(weight, rows, strict=True)
    )
    lags = tuple(mixed([item.lags[i] for item in motions], np.asarray(weight)) for i in range(len(best.gnss)))
    return replace(
        best, travel_m=mean[0], speed_mps=mean[1], accel_mps2=mean[2], speed_sd_mps=np.sqrt(variance), lags=lags,
        stretches=_joined(motions, weight),
    )  # fmt: skip


def _joined(motions: Sequence[Motion], weight: Sequence[float]) -> tuple[tuple[Paths, ...], ...]:
    """The stretches of all motions, those that overlap in time as one, each with its share of the weight."""
    every = [
        (
            float(stretch[0].time_s[0]), float(stretch[0].time_s[-1]),
            tuple(replace(paths, weight=paths.weight * share) for paths in stretch),
        )
        for motion, share in zip(motions, weight, strict=True)
        for stretch in motion.stretches
    ]  # fmt: skip
    joined: list[tuple[float, tuple[Paths, ...]]] = []
    for start, end, stretch in sorted(every, key=lambda item: item[0]):
        if joined and start <= joined[-1][0]:
            joined[-1] = (max(joined[-1][0], end), joined[-1][1] + stretch)
        else:
            joined.append((end, stretch))
    return tuple(stretch for _, stretch in joined)


def _wander(found: Settled) -> tuple[Array, ...]:
    """What is left of each wheel's scale at every knot: its slow wander, and the constants not yet taken in."""
    at = [found.layout.wheel_scale(i) for i in range(found.layout.wheels)]
    return tuple(np.asarray(found.solved.mean[:, k]) for k in at)


def _account_total(
    account: Settled, of_account: Sequence[Sequence[Branch]], settings: FusionSettings
) -> float:
    """Log evidence of an account. Each stretch's holds that of the whole pass: it may count only once."""
    parts = [_log_total(of_stretch) for of_stretch in of_account]
    if len(parts) == 1:
        return parts[0]
    whole = unchanged_evidence(account, settings)
    return whole + sum(part - whole for part in parts)


def _known(again: Doubted, others: Sequence[Doubted]) -> bool:
    """Whether another proposal leaves the same readings out."""
    mine = again.settled
    return any(
        len(mine.weight) == len(other.settled.weight) and np.array_equal(mine.weight, other.settled.weight)
        for other in others
    )


def _log_total(of_stretch: Sequence[Branch]) -> float:
    """Log of all weight in a stretch."""
    top = max(float(item.answers.log_weight.max()) for item in of_stretch)
    return top + float(np.log(sum(float(np.exp(item.answers.log_weight - top).sum()) for item in of_stretch)))


def _stretch(of_stretch: Sequence[Branch], share: float, settings: FusionSettings) -> tuple[Paths, ...]:
    """The paths of a stretch; together they weigh `share`."""
    total = _log_total(of_stretch) - float(np.log(share))
    return tuple(made for item in of_stretch if (made := _paths(item, total, settings)) is not None)


def _paths(branch: Branch, total: float, settings: FusionSettings) -> Paths | None:
    """The hypotheses of a branch that weigh anything, with the states they bring."""
    answers, solved = branch.answers, branch.solved
    weight = np.exp(answers.log_weight - total)
    if weight.sum() < settings.least_weight:
        return None
    kept = np.argsort(-weight)[: settings.most_paths]
    kept = kept[weight[kept] > settings.least_weight * weight[kept[0]]]
    share = weight.sum() / weight[kept].sum()
    window = slice(branch.first, branch.last + 1)
    used, event = np.unique(answers.event[kept], return_inverse=True)
    event = event.reshape(-1, 2)
    if used[0] == NONE:
        event, used = event - 1, used[1:]
    event = np.where(event < 0, len(used), event)
    response = np.zeros((branch.last + 1 - branch.first, 3, len(used) + 1))
    response[:, :, :-1] = branch.response[window, :3][:, :, used]
    change = answers.change[kept]
    state = np.broadcast_to(solved.mean[window, :3], (len(kept), *response.shape[:2])).copy()
    for which in range(2):
        state -= response[:, :, event[:, which]].transpose(2, 0, 1) * change[:, which, None, None]
    at = np.append(branch.moments.at_s[used], np.nan)
    width = np.append(branch.moments.width_s[used], np.nan)
    return Paths(
        solved.model.knots_s[window], branch.first, weight[kept] * share, state, at[event], width[event], event,
        answers.change_cov[kept], response, solved.chain, solved.reach, solved.constant_cov,
    )  # fmt: skip


def _moments(paths: Sequence[Paths]) -> tuple[Array, Array]:
    """(W, 3) mean, and (W,) variance of the speed that the changes bring, over all paths of a stretch."""
    weight = np.concatenate([item.weight for item in paths])
    weight = weight / weight.sum()
    state = np.concatenate([item.state for item in paths])
    mean = np.einsum("h,hwi->wi", weight, state)
    spread = np.einsum("h,hw->w", weight, (state[:, :, SPEED] - mean[:, SPEED]) ** 2)
    total = sum(float(item.weight.sum()) for item in paths)
    for item in paths:
        moved = item.response[:, SPEED][:, item.event]  # (W, H, 2)
        own = np.einsum("whi,hij,whj->wh", moved, item.change_cov, moved)
        spread = spread + own @ item.weight / total
    return mean, spread
