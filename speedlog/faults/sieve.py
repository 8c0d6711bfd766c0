"""Which runs of a log may be outliers: a cheap look that saves weighing all of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.faults.judged import Known
from speedlog.faults.likelihood import What
from speedlog.running import running_maximum
from speedlog.settings import FaultSettings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]


def standing_out(known: Known, of: What, fresh: Flags, gross: bool) -> list[tuple[int, int]]:
    """First and last of the runs whose mean lies off the chord between the values beside them.

    Args:
        gross: only runs far off, and of those that overlap only the ones that stand out most.
    """
    series = known.value["speed"] if of == "speed" else known.rest_m
    at = np.flatnonzero(np.isfinite(series))
    value, time = series[at], known.time_s[at]
    least = (
        known.least[of][at] * known.settings.outlier_sieve * (known.settings.outlier_gross if gross else 1.0)
    )
    touched = np.concatenate([[0], np.cumsum(fresh[known.row[at]])])
    topped = np.concatenate([[0], np.cumsum(known.pinned[at])])
    sums = [np.concatenate([[0.0], np.cumsum(part - part[:1])]) for part in (value, time)]
    runs_of: list[tuple[int, int]] = []
    scores: list[Array] = []
    for count in range(1, min(known.longest, len(value) - 4) + 1):
        first = np.arange(2, len(value) - count - 1)
        first = first[touched[first + count] > touched[first]]
        if not len(first):
            continue
        bulge, out = _bulge(sums, first, count, least, known.settings)
        if of == "speed":
            out &= topped[first + count] - topped[first] <= 0.5 * count
        chosen = np.flatnonzero(out)
        runs_of += [(int(first[k]), int(first[k]) + count - 1) for k in chosen]
        scores.append(bulge[chosen] * np.sqrt(count))
    if gross and runs_of:
        runs_of = _foremost(runs_of, np.concatenate(scores), len(at), known.settings.outlier_sieve_top)
    return [(int(at[first]), int(at[last])) for first, last in runs_of]


def _bulge(
    sums: list[Array], first: Rows, count: int, least: Array, settings: FaultSettings
) -> tuple[Array, Flags]:  # fmt: skip
    """How far runs lie off the chords beside them, and which of them stand out."""
    mean, when = ((s[first + count] - s[first]) / count for s in sums)
    most, out = np.zeros(len(first)), np.zeros(len(first), dtype=bool)
    for near in (1, 2):
        v0, t0 = ((s[first] - s[first - near]) / near for s in sums)
        v1, t1 = ((s[first + count + near] - s[first + count]) / near for s in sums)
        bulge = np.abs(mean - v0 - (v1 - v0) * (when - t0) / (t1 - t0))
        # neighbouring runs stand out together: those near the top of each hill are enough
        out |= (bulge > settings.outlier_sieve_top * running_maximum(bulge, 5)) & (bulge > least[first])
        most = np.maximum(most, bulge)
    return most, out


def _foremost(found: list[tuple[int, int]], score: Array, length: int, share: float) -> list[tuple[int, int]]:
    """The runs that stand out about as far as any that overlaps them."""
    best = np.zeros(length)
    for (first, last), value in zip(found, score, strict=True):
        best[first : last + 1] = np.maximum(best[first : last + 1], value)
    pairs = zip(found, score, strict=True)
    return [(first, last) for (first, last), value in pairs if value >= share * best[first : last + 1].max()]
