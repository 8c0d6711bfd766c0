"""Readings that stop at the largest value a receiver or logger can write: a flat top."""

from __future__ import annotations

import math

import numpy as np

from speedlog.course.track import Track
from speedlog.faults import outlier
from speedlog.faults.ceilings import Limit, known_limit, round_limit
from speedlog.faults.flat import Readings, faster_between, faster_by_positions, readings_of
from speedlog.faults.signals import position_repeats
from speedlog.faults.spans import Span, duration, runs
from speedlog.results import FaultKind
from speedlog.settings import FaultSettings
from speedlog.units import find_unit

KIND: FaultKind = "ceiling"


def find(track: Track, settings: FaultSettings) -> list[Span]:
    """Runs pinned at the highest reading while the car must have been faster."""
    if track.kind == "wheel":
        return []
    # an outlier right after the flat top must not look like a stuck receiver that comes alive
    data = readings_of(track, outlier.wrong_speed(track, settings)[0])
    if len(data.row) < settings.ceiling_rows:
        return []
    # a spike above the flat top must not hide it, nor the scatter of a poor fix
    sound = ~outlier.scattered(track, settings)[data.row]
    if not sound.any() or data.speed_mps[sound].max() <= settings.moving_mps:
        return []
    top = float(data.speed_mps[sound].max())
    limit = known_limit(top, _near(data, settings), settings)
    # where the position repeats as well, the whole epoch is stuck: that is another kind
    pinned = (data.speed_mps == top) & ~position_repeats(track)[data.row]
    found = []
    least = settings.ceiling_rows if limit is None else settings.ceiling_limit_rows
    for first, last in _joined(runs(pinned), pinned, settings):
        if last - first + 1 < least:
            continue
        pull = _evidence(track, data, first, last, limit is not None, settings)
        if pull is not None:
            found.append(_span(track, data, first, last, _where(top, limit, data, settings), pull))
    return found


def _near(data: Readings, settings: FaultSettings) -> float:
    return max(settings.ceiling_known_mps, 0.5 * data.step_mps)


def _joined(
    found: list[tuple[int, int]], pinned: np.ndarray, settings: FaultSettings
) -> list[tuple[int, int]]:
    """Runs at the top, single other readings among them allowed as long as nearly all are at the top."""
    joined: list[tuple[int, int]] = []
    for first, last in found:
        if joined:
            whole = pinned[joined[-1][0] : last + 1]
            if first - joined[-1][1] <= 2 and whole.mean() >= settings.ceiling_pinned:
                joined[-1] = (joined[-1][0], last)
                continue
        joined.append((first, last))
    return joined


def _evidence(
    track: Track, data: Readings, first: int, last: int, known_limit: bool, settings: FaultSettings
) -> str | None:
    """What says that the car was faster than the flat top; None when nothing does."""
    value = data.speed_mps[first : last + 1]
    exact = bool(np.mean(value == value.max()) >= settings.ceiling_pinned)
    if data.jump_after(last, settings, track.interval_s):
        return None  # stuck readings catch up with a jump when they come alive; a flat top ends smoothly
    top = float(value.max())
    rows_at_top = int(data.row[first]), int(data.row[last])
    if last - first + 1 < settings.ceiling_rows:
        # two rows may be any peak's: only a way driven that says more is proof
        faster, proof = faster_between(track, *rows_at_top, top, settings)
        return f"while positions say {faster:.1f} m/s more on average" if faster > proof else None
    faster, proof = faster_by_positions(track, *rows_at_top, top, settings)
    if faster > proof:
        return f"while positions say {faster:.1f} m/s more on average"
    if faster < -proof:
        return None
    rows = data.side_rows(settings, track.interval_s)
    gain = data.slope(max(first - rows, 0), first - 1)
    loss = -data.slope(last + 1, min(last + rows, len(data.row) - 1))
    lasted = float(data.time_s[last] - data.time_s[first])
    if min(gain, loss) > settings.ceiling_pull_mps2:
        # two straight flanks drawn on would have met so far above the flat top
        hidden = lasted * gain * loss / (gain + loss)
        least = settings.ceiling_loss_noise * max(data.noise_mps, data.step_mps)
        by_chance = data.chance(max(data.noise_mps, settings.ceiling_noise_mps)) ** (last - first)
        # the mean of a triangle is half its height: where positions could show that, they decide
        doubted = proof < 0.5 * hidden
        if (
            hidden > max(settings.ceiling_loss_mps, least)
            and by_chance < settings.ceiling_chance
            and not doubted
        ):
            return f"although the car was gaining {gain:.0f} m/s² just before"
    steep = max(gain if math.isfinite(gain) else 0.0, loss if math.isfinite(loss) else 0.0)
    if exact and known_limit and (steep > settings.ceiling_pull_mps2 or lasted > 1.0):
        return "at a limit that loggers are known for"
    if exact and data.beyond_chance(last - first + 1, settings):
        return "without the scatter that a real top speed has"
    return None


def _span(track: Track, data: Readings, first: int, last: int, where: str, why: str) -> Span:
    start, end = float(data.time_s[first]), float(data.time_s[last])
    words = f"readings stop at {where} for {duration(end - start + track.interval_s)}, {why}"
    return Span(KIND, start, end, words, "speed")


def _where(top: float, known: Limit | None, data: Readings, settings: FaultSettings) -> str:
    """The flat top's speed, and the limit that it sits on: of a known kind, or perhaps one."""
    exact = known is not None and abs(known.speed_mps - top) <= 0.5 * data.step_mps
    # 99.99 m/s lies near the 100 of some receivers, but as written it is a full field of its own
    own = None if exact else round_limit(top, data.step_mps, settings)
    limit = own or known
    if limit is None:
        return f"{_in_unit(top, 'mph')} ({_in_unit(top, 'km/h')})"
    # in another unit than the limit's own, which stands in brackets
    speed = _in_unit(limit.speed_mps, "km/h" if limit.unit == "mph" else "mph")
    doubt = ": perhaps the logger's own limit" if own else ""
    return f"{speed} ({limit}{doubt})"


def _in_unit(value_mps: float, symbol: str) -> str:
    unit = find_unit(symbol, "speed")
    assert unit is not None, symbol
    return f"{unit.from_si(value_mps):.1f} {symbol}"
