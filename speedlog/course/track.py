"""One recording's samples of one pass, on the running line and on one continuous clock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.course.clock import ClockStep, Timeline, mend
from speedlog.course.coursefile import Course
from speedlog.course.geometry import along_across
from speedlog.course.passes import PassSpan
from speedlog.samples import Recording, valid_positions
from speedlog.settings import PassSettings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
_NS = 1e9

__all__ = ["ClockStep", "Track", "make_track"]


@dataclass(frozen=True, eq=False)
class Track:
    """One recording's samples of one pass.

    Attributes:
        file: the recording's name.
        kind: "gnss", or "wheel" for a log without positions that counts turns.
        origin: time_s counts from here, on the recording's own clock.
        time_s: (N,) strictly increasing; clock steps are mended.
        samples: (N,) rows of the common table; the index as logged.
        along_m, across_m: (N,) on the line; NaN without a sound position.
        interval_s: the recording's own median interval.
        sign: +1 outbound (along rises), -1 return; +1 without a course.
        trap: entry_m and exit_m; None without a course.
        breaks_s: times after which the file itself says that reception was lost.
        steps: clock steps inside, mended in time_s.
        held_rows: rows left out because a table written faster than its receiver held the last epoch.
    """

    file: str
    kind: Literal["gnss", "wheel"]
    origin: pd.Timestamp
    time_s: Array
    samples: pd.DataFrame
    along_m: Array
    across_m: Array
    interval_s: float
    sign: int
    trap: tuple[float, float] | None
    breaks_s: tuple[float, ...] = ()
    steps: tuple[ClockStep, ...] = ()
    held_rows: int = 0


def make_track(
    recording: Recording,
    span: PassSpan,
    course: Course | None = None,
    *,
    origin: pd.Timestamp | None = None,
    settings: PassSettings | None = None,
) -> Track | None:
    """Cut a pass out of a recording and lay it on the line.

    Args:
        recording: the log.
        span: the pass, on this recording's own clock.
        course: gives the trap.
        origin: time_s counts from here (own clock); the span's start if None.
        settings: thresholds for mending the clock.

    Returns:
        None when the recording holds no sample of the pass.
    """
    settings = settings or PassSettings()
    timeline = mend(recording, settings)
    start, end = _ns(span.start), _ns(span.end)
    rows = slice(
        int(np.searchsorted(timeline.time_ns, start)),
        int(np.searchsorted(timeline.time_ns, end, side="right")),
    )
    if rows.stop <= rows.start:
        return None
    origin = span.start if origin is None else origin
    counts_turns = not recording.has_positions and bool(timeline.samples["rpm"].notna().any())
    own = np.ones(rows.stop - rows.start, dtype=bool)
    if not counts_turns:
        own = own_epochs(timeline.samples.iloc[rows], settings)
    samples = timeline.samples.iloc[rows][own]
    time_s = (timeline.time_ns[rows][own] - _ns(origin)) / _NS
    sound = valid_positions(samples)
    along, across = along_across(
        span.line,
        np.where(sound, samples["lat_deg"].to_numpy(dtype=float), np.nan),
        np.where(sound, samples["lon_deg"].to_numpy(dtype=float), np.nan),
    )
    return Track(
        file=recording.file,
        kind="wheel" if counts_turns else "gnss",
        origin=origin,
        time_s=time_s,
        samples=samples,
        along_m=along,
        across_m=across,
        interval_s=_interval_s(time_s, timeline.interval_s, thinned=not own.all()),
        sign=-1 if span.outbound is False else 1,
        trap=None if course is None else (course.entry_m, course.exit_m),
        breaks_s=_breaks_s(recording, samples, time_s),
        steps=_steps(timeline, rows, origin),
        held_rows=int((~own).sum()),
    )


def own_epochs(samples: pd.DataFrame, settings: PassSettings) -> Flags:
    """(N,) rows of the receiver's own: not those that a faster table leaves blank or fills by repeating.

    Such rows are many, and come in short runs all along. Where the receiver was stuck, they come in few
    long runs; those stay, for the faults to tell.
    """
    lat, lon, speed = (samples[name].to_numpy(dtype=float) for name in ("lat_deg", "lon_deg", "speed_mps"))
    blank = np.isnan(lat) & np.isnan(speed) & samples["fix"].isna().to_numpy(dtype=bool)
    same = np.zeros(len(samples), dtype=bool)
    same[1:] = (lat[1:] == lat[:-1]) & (lon[1:] == lon[:-1]) & (speed[1:] == speed[:-1])
    # whether such rows are a habit shows while the car moves; standing, equal rows are no wonder
    moving = _run_lengths((same & (speed > settings.slow_floor_mps)) | blank)[1]
    own = np.ones(len(samples), dtype=bool)
    if len(moving) < settings.held_runs or moving.sum() < settings.held_share * len(samples):
        return own
    longest = settings.held_longest * float(np.median(moving))
    for first, count in zip(*_run_lengths(same | blank), strict=True):
        if count <= longest:
            own[first : first + count] = False
    return own


def _run_lengths(flags: Flags) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First rows and lengths of the runs of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]])))
    return edges[::2], edges[1::2] - edges[::2]


def _ns(moment: pd.Timestamp) -> int:
    return int(pd.Timestamp(moment).as_unit("ns").value)


def _interval_s(time_s: Array, of_recording: float, *, thinned: bool) -> float:
    """The median interval of the pass's own rows: a logger may write slower while it stands."""
    if thinned and len(time_s) >= 3:
        # the receiver's epochs fall on the table's rows unevenly, 2 then 3 rows apart: the mean counts
        step = np.diff(time_s)
        return float(np.mean(step[step <= 2.0 * np.median(step)]))
    if len(time_s) >= 3:
        return float(np.median(np.diff(time_s)))
    return of_recording if np.isfinite(of_recording) else 1.0


def _breaks_s(recording: Recording, samples: pd.DataFrame, time_s: Array) -> tuple[float, ...]:
    """Declared losses of reception inside the track: the time of the last row before each."""
    logged = pd.DatetimeIndex(samples.index).as_unit("ns").asi8
    found = []
    for moment in recording.declared_breaks:
        before = np.flatnonzero(logged <= _ns(moment))
        if len(before) and before[-1] + 1 < len(logged):
            found.append(float(time_s[before[-1]]))
    return tuple(found)


def _steps(timeline: Timeline, rows: slice, origin: pd.Timestamp) -> tuple[ClockStep, ...]:
    found = []
    for row, step in zip(timeline.step_rows.tolist(), timeline.step_s.tolist(), strict=True):
        if rows.start < row < rows.stop:
            found.append(ClockStep(float((timeline.time_ns[row - 1] - _ns(origin)) / _NS), float(step)))
    return tuple(found)
