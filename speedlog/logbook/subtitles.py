"""The speed of a pass as a WebVTT subtitle track, to lay over a film of it.

WebVTT: The Web Video Text Tracks Format, W3C Candidate Recommendation (2019), sections 4.1 (syntax), 4.3.1
(timestamps) and 4.2.2 (cue text: & and < are written as character references).
"""

from __future__ import annotations

import datetime as dt
import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.errors import SpeedlogError, plain
from speedlog.units import Unit, parse_quantity

Array = NDArray[np.float64]
_HINT = 'Write a UTC time like 2026-07-12T10:03:20Z or 10:03:20, or seconds before the drive like "12.5 s".'
_CLOCK = re.compile(r"(?:(\d{4}-\d{2}-\d{2})[T ])?(\d{1,2}):(\d{2}):(\d{2}(?:[.,]\d{1,6})?)\s*Z?", re.ASCII)


@dataclass(frozen=True)
class Told:
    """A line that is shown from a moment of the drive on [s]."""

    from_s: float
    text: str


def film_start(text: str, drive_start: dt.datetime | None) -> float:
    """How long before the drive's first sample a film begins [s]; below zero where it begins later.

    Args:
        text: a UTC time, with or without the day; or a time span like "12.5 s".
        drive_start: UTC; None where no logger knew the date.

    Raises:
        SpeedlogError: neither, a time of a drive that has none, or a film that lies more than half a day away.
    """
    found = _CLOCK.fullmatch(text.strip())
    if found is None:
        try:
            return float(parse_quantity(text, "time", "film start").value)
        except SpeedlogError:
            raise SpeedlogError(f'--film-start "{plain(text)}" is no time', todo=_HINT) from None
    if drive_start is None:
        raise SpeedlogError(
            "no logger knew the date of this pass", todo='Give the span: --film-start "12.5 s"'
        )
    try:
        day = dt.date.fromisoformat(found[1]) if found[1] else drive_start.date()
        seconds = float(found[4].replace(",", "."))
        clock = dt.time(int(found[2]), int(found[3]), int(seconds))
        begins = dt.datetime.combine(day, clock, dt.UTC) + dt.timedelta(seconds=seconds % 1)
    except ValueError:
        raise SpeedlogError(f'--film-start "{plain(text)}" is no time', todo=_HINT) from None
    before = (drive_start - begins).total_seconds()
    if not found[1]:  # a film that went on over midnight
        before = (before + 43_200) % 86_400 - 43_200
    if abs(before) > 43_200:
        raise SpeedlogError(
            f'--film-start "{plain(text)}" is far from the drive ({drive_start:%Y-%m-%dT%H:%M:%SZ})',
            todo=_HINT,
        )
    return before


def webvtt(
    time_s: Array, speed_mps: Array, *, before_s: float, unit: Unit, step_s: float, digits: int,
    told: Sequence[Told] = (), note: str = "",
) -> str:  # fmt: skip
    """A subtitle track.

    Args:
        time_s, speed_mps: (N,) the estimate over the drive, seconds from its start, rising.
        before_s: how long before the drive's start the film begins; what lies before the film is left out.
        unit, digits: in which the speed is written.
        step_s: how long each number stands.
        told: lines under the speed, the last begun one at a time.
        note: a comment for whoever opens the file.
    """
    lines = ["WEBVTT", ""]
    if note:
        lines += [f"NOTE {_escaped(note)}", ""]
    for start, end, at_s in _steps(time_s, before_s, step_s):
        value = unit.from_si(float(np.interp(at_s, time_s, speed_mps)))
        under = [item.text for item in told if item.from_s <= at_s][-1:]
        lines += [f"{timestamp(start)} --> {timestamp(end)}", f"{value:.{digits}f} {_escaped(unit.symbol)}"]
        lines += [*map(_escaped, under), ""]
    return "\n".join(lines)


def timestamp(milliseconds: int) -> str:
    """hh:mm:ss.ttt; more than two digits of hours where they are needed."""
    seconds, ms = divmod(milliseconds, 1000)
    minutes, s = divmod(seconds, 60)
    hours, m = divmod(minutes, 60)
    return f"{hours:02d}:{m:02d}:{s:02d}.{ms:03d}"


def _steps(time_s: Array, before_s: float, step_s: float) -> list[tuple[int, int, float]]:
    """(start, end [ms of the film], middle [s of the drive]) of each cue."""
    finite = time_s[np.isfinite(time_s)]
    if not len(finite):
        return []
    count = int(np.floor((finite[-1] - finite[0]) / step_s + 1e-9))
    edges = [round((float(finite[0]) + k * step_s + before_s) * 1000) for k in range(count + 1)]
    found = []
    for k, (start, end) in enumerate(itertools.pairwise(edges)):
        if end > max(start, 0):
            found.append((max(start, 0), end, float(finite[0]) + (k + 0.5) * step_s))
    return found


def _escaped(text: str) -> str:
    """Cue text on one line; neither a tag, nor an arrow by which a cue would begin."""
    return plain(text, 300).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
