"""One clock for the GNSS recordings of a day: whose passes are the same pass?

Loggers write UTC, but some write local time as if it were UTC (whole quarter hours off) or GPS
time (18 s off), some have no date, some no clock at all. Passes are matched by when the car
crossed the trap (or was fastest); an offset found so is a guess and is reported.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from speedlog.course.passes import PassSpan
from speedlog.samples import Clock, Recording
from speedlog.settings import FusionSettings

_DAY_S = 86400.0


@dataclass(frozen=True)
class ClockOffset:
    """UTC = the recording's own time + offset_s; `warning` tells a guess, None where none was made."""

    offset_s: float
    warning: str | None


@dataclass(frozen=True)
class PassGroup:
    """The spans of one pass: (index of the recording, span on its own clock), and its time in UTC."""

    members: tuple[tuple[int, PassSpan], ...]
    moment: pd.Timestamp
    end: pd.Timestamp


def match_clocks(
    recordings: Sequence[Recording], spans: Sequence[Sequence[PassSpan]], settings: FusionSettings
) -> list[ClockOffset]:
    """An offset for each recording, against the one that is the best witness of UTC.

    Args:
        recordings: the GNSS recordings.
        spans: the passes found in each.
    """
    rank = {Clock.UTC: 0, Clock.TIME_OF_DAY: 1, Clock.ELAPSED: 2}
    order = sorted(range(len(recordings)), key=lambda i: (not spans[i], rank[recordings[i].clock], i))
    offsets = [ClockOffset(0.0, None)] * len(recordings)
    known: list[float] = []
    for place, i in enumerate(order):
        mine = [_moment(span).timestamp() for span in spans[i]]
        if place and known and mine:
            offsets[i] = _offset(recordings[i].clock, np.array(mine), np.array(known), settings)
        known += [value + offsets[i].offset_s for value in mine]
    return offsets


def group_passes(
    spans: Sequence[Sequence[PassSpan]], offsets: Sequence[ClockOffset], settings: FusionSettings
) -> list[PassGroup]:
    """Spans of different recordings within the tolerance of each other are one pass; in order of time."""
    every = []
    for i, found in enumerate(spans):
        shift = pd.Timedelta(round(offsets[i].offset_s * 1e9), "ns")
        every += [(_moment(span) + shift, i, span, span.start + shift, span.end + shift) for span in found]
    every.sort(key=lambda item: (item[0], item[1]))
    groups: list[PassGroup] = []
    for moment, i, span, start, end in every:
        last = groups[-1] if groups else None
        if last and i not in [member[0] for member in last.members]:
            near = (moment - last.moment).total_seconds() <= 2 * settings.clock_tolerance_s
            # without a trap the middles of a long and a cut-off log lie apart, but they overlap
            shared = (min(end, last.end) - start).total_seconds()
            if near or shared > 0.5 * (end - start).total_seconds():
                groups[-1] = PassGroup((*last.members, (i, span)), last.moment, max(last.end, end))
                continue
        groups.append(PassGroup(((i, span),), moment, end))
    return groups


def _moment(span: PassSpan) -> pd.Timestamp:
    """The instant that tells one pass from another on any logger: mid-trap, else mid-span."""
    if span.trap_entry is not None and span.trap_exit is not None:
        return span.trap_entry + (span.trap_exit - span.trap_entry) / 2
    return span.start + (span.end - span.start) / 2


def _offset(clock: Clock, mine: np.ndarray, known: np.ndarray, settings: FusionSettings) -> ClockOffset:
    apart = known[:, None] - mine[None, :]

    def matches(offset: float) -> int:
        return int((np.abs(apart - offset) <= settings.clock_tolerance_s).any(axis=0).sum())

    if matches(0.0):
        return ClockOffset(0.0, None)
    candidates: dict[float, str] = {}
    for value in apart.ravel():
        if clock is Clock.ELAPSED:
            candidates.setdefault(float(value), "its own clock was set by the time of the pass")
            continue
        days = round(value / _DAY_S) * _DAY_S if clock is Clock.TIME_OF_DAY else 0.0
        for leap in (0.0, settings.gps_utc_s, -settings.gps_utc_s):
            hours = round((value - days - leap) / settings.clock_shift_step_s) * settings.clock_shift_step_s
            if abs(hours) <= _DAY_S and abs(hours + leap + days - value) <= settings.clock_tolerance_s:
                candidates.setdefault(float(hours + leap + days), _reason(hours, leap, days))
    if not candidates:
        return ClockOffset(0.0, None)
    best = max(candidates, key=lambda offset: (matches(offset), -abs(offset)))
    return ClockOffset(best, f"{candidates[best]}: its times were shifted to those of the other logger")


def _reason(hours_s: float, leap_s: float, days_s: float) -> str:
    parts = []
    if hours_s:
        parts.append(f"its clock is {-hours_s / 3600:+g} h off (local time logged as UTC?)")
    if leap_s:
        parts.append(f"its clock is {-leap_s:+g} s off (GPS time logged as UTC?)")
    if days_s:
        parts.append("it has no date of its own")
    return ", ".join(parts) or "its clock agrees"
