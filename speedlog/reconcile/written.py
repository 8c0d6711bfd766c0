"""A recording without the rows in which its speed only repeats."""

from __future__ import annotations

from dataclasses import replace

from speedlog.faults.fresh import fresh_rows, written_step
from speedlog.samples import Recording
from speedlog.settings import FaultSettings

__all__ = ["with_fresh_rows", "written_step"]


def with_fresh_rows(recording: Recording, step_mps: float, settings: FaultSettings) -> Recording:
    """The recording without rows that only repeat the last speed; itself where it has no such habit."""
    speeds = [part["speed_mps"].to_numpy(dtype=float) for part in recording.segments]
    kept = [fresh_rows(speed, step_mps, settings) for speed in speeds]
    if all(rows.all() for rows in kept):
        return recording
    parts = zip(recording.segments, kept, strict=True)
    return replace(recording, segments=tuple(part[rows] for part, rows in parts))
