"""Trap speed on simulated passes: speedlog's error and interval, against simple ways and an oracle.

Every pass is drawn by `speedlog.demo.families` from (seed, family, index), written to files, and
reviewed from those files through the public `speedlog.review`. Simulator and estimator share no code.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from speedlog.demo.noise import Array
from tests.benchmarks.passes import Ready

DIGITS = {
    "passes": 0, "95 %": 1, "peak 95 %": 1, "highest": 2, "density": 0, "ratio": 2, "ratio from": 2,
    "ratio to": 2, "width ratio": 2,
}  # fmt: skip
WAYS = ("highest", "interp", "savgol", "speedlog")
TOGETHER = 16  # passes made at once: the oracle runs them side by side


@dataclass(frozen=True)
class Job:
    """Passes of one family that are made together, and what is asked of each."""

    seed: int
    family: str
    indices: tuple[int, ...]
    oracle: bool = False
    cache: Path | None = None


def passes_of(job: Job) -> list[dict[str, Any]]:
    """Make ready, review and compare; the oracle too where it is asked for."""
    from tests.benchmarks.passes import ready

    made = ready(job.seed, job.family, job.indices, oracle=job.oracle, cache=job.cache)
    found = []
    for index, item in zip(job.indices, made, strict=True):
        with tempfile.TemporaryDirectory() as folder:
            found.append(
                {"family": job.family, "index": index, **item.facts, **_reviewed(item, Path(folder))}
            )
    return found


def _reviewed(item: Ready, folder: Path) -> dict[str, Any]:
    from speedlog.course.coursefile import Course
    from speedlog.errors import SpeedlogError
    from speedlog.pipeline import review

    files = item.write(folder)
    try:
        course = Course.load(folder / "course.toml")
        found = review(files, course=course, trap=item.facts["figure"], **item.facts["options"])
    except SpeedlogError as error:
        return {"failed": str(error)}
    if len(found.passes) != 1 or found.passes[0].trap is None or found.passes[0].trap.estimate_mps is None:
        return {"failed": f"{len(found.passes)} passes, or no estimate"}
    one = found.passes[0]
    assert one.trap is not None
    return {
        "speedlog": one.trap.estimate_mps, "interval": list(one.trap.interval95_mps or ()),
        "peak": one.peak.estimate_mps if one.peak else None,
        "peak_interval": list(one.peak.interval95_mps) if one.peak else None,
        "verdict": one.verdict.code if one.verdict else None,
        "faults": [[fault.kind for fault in logger.faults] for logger in one.loggers],
    }  # fmt: skip


def summarise(name: str, passes: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """One row of the table, from all passes of a family."""
    good = [item for item in passes if "failed" not in item]
    true = np.array([item["true"] for item in good])
    row: dict[str, Any] = {"family": name, "passes": len(passes), "failed": len(passes) - len(good)}
    if not good:
        return row | dict.fromkeys([*WAYS, "bias", "95 %", "width", "z", "peak 95 %"], float("nan"))
    for way in WAYS:
        row[way] = float(np.sqrt(np.mean((np.array([item[way] for item in good]) - true) ** 2)))
    error = np.array([item["speedlog"] for item in good]) - true
    low, high = np.array([item["interval"] for item in good]).T
    row |= {
        "bias": float(error.mean()), "95 %": 100 * float(np.mean((low <= true) & (true <= high))),
        "width": float(np.median(high - low)),
        "z": float(np.sqrt(np.mean((error / ((high - low) / 3.92)) ** 2))),
    }  # fmt: skip
    peaks = [item for item in good if item["peak_interval"]]
    inside = [item["peak_interval"][0] <= item["peak_true"] <= item["peak_interval"][1] for item in peaks]
    row["peak 95 %"] = 100 * float(np.mean(inside)) if inside else float("nan")
    return row | (_against_oracle(good, error, high - low) if "oracle" in good[0] else {})


def _against_oracle(good: Sequence[dict[str, Any]], error: Array, width: Array) -> dict[str, Any]:
    """The oracle at the density with least error in hindsight, and how speedlog stands to it.

    `ratio` is of root mean square errors, with a paired bootstrap interval (2000 draws); `width ratio`
    of median interval widths, the oracle's scaled until they hold 95 in 100.
    """
    from tests.benchmarks.oracle import DENSITIES

    true = np.array([item["true"] for item in good])
    errors = np.array([item["oracle"] for item in good]) - true[:, None]
    best = int(np.argmin(np.mean(errors**2, axis=0)))
    theirs, sd = errors[:, best], np.array([item["oracle_sd"] for item in good])[:, best]
    draws = np.random.default_rng(1).integers(0, len(good), (2000, len(good)))
    ratios = np.sqrt(np.mean(error[draws] ** 2, axis=1) / np.mean(theirs[draws] ** 2, axis=1))
    scale = float(np.quantile(np.abs(theirs) / sd, 0.95))
    return {
        "oracle": float(np.sqrt(np.mean(theirs**2))),
        "density": float(DENSITIES[best]),
        "ratio": float(np.sqrt(np.mean(error**2) / np.mean(theirs**2))),
        "ratio from": float(np.quantile(ratios, 0.025)),
        "ratio to": float(np.quantile(ratios, 0.975)),
        "width ratio": float(np.median(width) / np.median(2 * scale * sd)),
    }


def measure(
    seed: int, names: Sequence[str], count: int, workers: int = 2, begin: int = 0, oracle: bool = False,
    cache: Path | None = None,
) -> list[dict[str, Any]]:  # fmt: skip
    """Every pass of every family, in order; from and into `cache` where one is given."""
    jobs = [
        Job(seed, name, tuple(range(first, min(first + TOGETHER, begin + count))), oracle, cache)
        for name in names
        for first in range(begin, begin + count, TOGETHER)
    ]
    if workers <= 1:
        return [item for job in jobs for item in passes_of(job)]
    # numerical libraries with threads of their own would only get in each other's way
    os.environ.update({"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"})
    with ProcessPoolExecutor(workers) as pool:
        return [item for found in pool.map(passes_of, jobs) for item in found]


def table(passes: Sequence[dict[str, Any]], names: Sequence[str]) -> list[dict[str, Any]]:
    """A row a family, and one for all together."""
    rows = [summarise(name, [item for item in passes if item["family"] == name]) for name in names]
    # one density for all families would be another oracle: the last row leaves it out
    bare = [{key: value for key, value in item.items() if not key.startswith("oracle")} for item in passes]
    return [*rows, summarise("all", bare)] if len(names) > 1 else rows
