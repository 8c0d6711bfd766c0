"""A span of faulty samples, and the runs of rows that spans are made from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from speedlog.results import FaultKind

Flags = NDArray[np.bool_]
Concerns = Literal["speed", "position", "both", "time"]


@dataclass(frozen=True)
class Span:
    """A stretch of a track that can't be trusted.

    Attributes:
        kind: of the fault.
        start_s, end_s: track time. For a gap the epochs before and after it; else the first and the
            last bad epoch.
        detail: what happened, as a driver would say it.
        concerns: which reading is bad; the other may still be used.
    """

    kind: FaultKind
    start_s: float
    end_s: float
    detail: str
    concerns: Concerns = "both"


def runs(flags: Flags) -> list[tuple[int, int]]:
    """First and last row of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def metres(distance: float) -> str:
    """ "46 m", "3.2 m": as many digits as anybody needs."""
    return f"{distance:.0f} m" if abs(distance) >= 10 else f"{distance:.1f} m"


def duration(seconds: float) -> str:
    """ "0.48 s", "12.3 s"."""
    return f"{seconds:.2f} s" if seconds < 10 else f"{seconds:.1f} s"


def epochs(count: int) -> str:
    return "1 epoch" if count == 1 else f"{count} epochs"
