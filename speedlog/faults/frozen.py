"""Values that repeat while the car moves: a receiver or logger that writes its last epoch again."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.faults import ceiling, outlier
from speedlog.faults.flat import equal_runs, faster_by_positions, readings_of
from speedlog.faults.fresh import text_step
from speedlog.faults.signals import (
    bridged_speed,
    column,
    covered_m,
    place_noise,
    position_repeats,
    readings,
)
from speedlog.faults.spans import Concerns, Span, duration, metres, runs
from speedlog.results import FaultKind
from speedlog.settings import FaultSettings

KIND: FaultKind = "frozen"
Flags = NDArray[np.bool_]
_METRES_PER_DEGREE = 111_000.0  # for a text step only, where 1 % does not matter


def find(track: Track, settings: FaultSettings) -> list[Span]:
    """Runs of rows that repeat the row before while the car moves; the first of the equal rows is sound."""
    place = _stuck_position(track, settings)
    speed = _stuck_speed(track, settings)
    # a whole epoch written again shows in the position; its speed is then as old
    value = readings(track)
    same_speed = np.concatenate([[False], value[1:] == value[:-1]])
    found = []
    for first, last in runs(place | speed):
        rows = slice(first, last + 1)
        stuck_speed = bool((speed | same_speed)[rows].all())
        concerns: Concerns = "both" if place[rows].any() and stuck_speed else "position"
        if not place[rows].any():
            concerns = "speed"
        what = {
            "both": "position and speed repeat",
            "position": "the position repeats",
            "speed": "the speed repeats",
        }
        start, end = float(track.time_s[first]), float(track.time_s[last])
        before = float(track.time_s[first - 1])
        way = metres(covered_m(track, before, end + track.interval_s))
        lasted = duration(end - before)
        found.append(
            Span(
                KIND, start, end, f"{what[concerns]} for {lasted} while the car covered about {way}", concerns
            )
        )
    return found


def _stuck_position(track: Track, settings: FaultSettings) -> Flags:
    """(N,) rows whose position repeats although the car must have moved on by more than the text shows."""
    speed, step = bridged_speed(track), np.diff(track.time_s, prepend=track.time_s[0])
    lat, lon = column(track, "lat_deg"), column(track, "lon_deg")
    repeats = position_repeats(track)
    if not repeats.any():
        return repeats
    known = np.isfinite(track.along_m)
    shrink = np.cos(np.radians(np.median(lat[known])))
    north_step, east_step = text_step(lat) * _METRES_PER_DEGREE, text_step(lon) * _METRES_PER_DEGREE * shrink
    # one of the two coordinates must have changed: the finer of them along this heading decides
    span_n, span_e = np.ptp(lat[known]) * _METRES_PER_DEGREE, np.ptp(lon[known]) * _METRES_PER_DEGREE * shrink
    way = max(float(np.hypot(span_n, span_e)), 1e-9)
    fine = max(
        span_n / way / north_step if north_step else 0.0, span_e / way / east_step if east_step else 0.0
    )
    if not fine:
        return np.zeros(len(repeats), dtype=bool)
    must_show = settings.position_steps / fine + settings.position_noise * place_noise(track)
    stuck = np.zeros(len(repeats), dtype=bool)
    for first, last in runs(repeats & (speed > settings.moving_mps)):
        stuck[first : last + 1] = float((speed * step)[first : last + 1].sum()) > must_show
    return stuck


def _stuck_speed(track: Track, settings: FaultSettings) -> Flags:
    """(N,) rows whose speed reading repeats, and can't be a steady drive nor a flat top."""
    wheel = track.kind == "wheel"
    data = readings_of(track, None if wheel else outlier.wrong_speed(track, settings)[0])
    stuck = np.zeros(len(track.time_s), dtype=bool)
    repeats = equal_runs(data.speed_mps, settings.repeat_rows)
    tops = ceiling.find(track, settings) if repeats else []
    for first, last in repeats:
        value = float(data.speed_mps[first])
        begin, end = int(data.row[first]), int(data.row[last])
        if value <= settings.moving_mps or data.jump_before(first, settings, track.interval_s):
            continue  # what begins with a jump as well is wrong, not old
        if any(top.start_s <= track.time_s[begin] and track.time_s[end] <= top.end_s for top in tops):
            continue
        excess, proof = faster_by_positions(track, begin, end, value, settings)
        wrong = (
            data.jump_after(last, settings, track.interval_s)
            or data.beyond_chance(last - first + 1, settings)
            or abs(excess) > proof
        )
        if wrong:
            stuck[begin + 1 : end + 1] = True
    return stuck
