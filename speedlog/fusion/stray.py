"""Readings that one log alone could not unmask, but the motion fused from everything does.

A run of wild speeds too long for its neighbours to speak against is no outlier to the fault tests;
positions and other sources show it up. Only gross misfits count: a slow or biased logger is told by
its verdict, not hidden as a fault.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.faults.spans import Span, runs
from speedlog.fusion.estimate import Motion
from speedlog.fusion.measure import GnssSource, Noise
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]


def stray_speeds(
    track: Track, source: GnssSource, noise: Noise, motion: Motion, settings: FusionSettings
) -> tuple[Span, ...]:
    """Runs of usable speeds far off the motion, as outlier spans.

    Args:
        track: the logger's part of the pass. source: the same, with what is usable marked.
        noise: of this logger. motion: fused from all sources.
    """
    at = source.time_s - source.speed_delay_s
    expected = np.interp(at, motion.time_s, motion.speed_mps)
    inside = (at >= motion.time_s[0]) & (at <= motion.time_s[-1]) & source.speed_ok
    limit = max(settings.stray_least_mps, settings.stray_sds * noise.speed_mps)
    off = np.where(inside, source.speed_mps - expected, 0.0)
    # a late speed trails on a ramp, and how it catches up depends on the logger's own filter
    trail = source.speed_lag_s * np.interp(at, motion.time_s, np.abs(motion.accel_mps2))
    spans = []
    for first, last in runs(np.abs(off) > limit + trail):
        lasting = float(track.time_s[last] - track.time_s[first])
        if lasting > settings.stray_longest_s:
            continue
        size = float(np.median(off[first : last + 1]))
        side = "above" if size > 0 else "below"
        count = last - first + 1
        what = f"for {lasting + track.interval_s:.2f} s" if count > 1 else "at one epoch"
        detail = f"a speed {abs(size):.1f} m/s {side} what everything else says, {what}"
        spans.append(Span("outlier", float(track.time_s[first]), float(track.time_s[last]), detail, "speed"))
    return tuple(spans)
