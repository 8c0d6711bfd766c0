"""Steps of the logger's clock: already mended in the track's time, and told here."""

from __future__ import annotations

import numpy as np

from speedlog.course.track import Track
from speedlog.faults.spans import Span
from speedlog.results import FaultKind
from speedlog.settings import FaultSettings

KIND: FaultKind = "clock_jump"


def find(track: Track, settings: FaultSettings) -> list[Span]:
    """One span a step, between the epochs on both sides of it."""
    found = []
    for step in track.steps:
        after = min(int(np.searchsorted(track.time_s, step.at_s + 1e-9)), len(track.time_s) - 1)
        way = "forward" if step.step_s > 0 else "back"
        detail = (
            f"the logger's clock stepped {way} by {_amount(abs(step.step_s))}; "
            "positions and speed show what really passed, and the times are mended"
        )
        found.append(Span(KIND, step.at_s, float(track.time_s[after]), detail, "time"))
    return found


def _amount(seconds: float) -> str:
    return (
        f"{seconds:.2f} s"
        if seconds < 600
        else f"{seconds / 60:.1f} min"
        if seconds < 7200
        else f"{seconds / 3600:.1f} h"
    )
