"""Trap speed on simulated passes: speedlog's error and interval, against simple ways and an oracle.

Every pass is drawn by `speedlog.demo.families` from (seed, family, index), written to files, and
reviewed from those files through the public `speedlog.review`. Simulator and estimator share no code.
"""

from __future__ import annotations

import os
import tempfile
import zlib
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
MISKEYED = (0.03, 0.15)  # the sizes of a mis-keyed figure, as a share
TOGETHER = 16  # passes made at once: the oracle runs them side by side


@dataclass(frozen=True)
class Job:
    """Passes of one family that are made together, and what is asked of each."""

    seed: int
    family: str
    indices: tuple[int, ...]
    oracle: bool = False
    cache: Path | None = None
    miskeyed: bool = False


def passes_of(job: Job) -> list[dict[str, Any]]:
    """Make ready, review and compare; the oracle too where it is asked for."""
    from tests.benchmarks.passes import ready

    made = ready(job.seed, job.family, job.indices, oracle=job.oracle, cache=job.cache)
    found = []
    for index, item in zip(job.indices, made, strict=True):
        wrong = wrong_figures(job, index, item) if job.miskeyed else None
        with tempfile.TemporaryDirectory() as folder:
            answers = _reviewed(item, Path(folder), wrong)
        for part, (facts, answer) in enumerate(zip(item.facts["parts"], answers, strict=True)):
            found.append({"family": job.family, "index": index, "part": part, **facts, **answer})
    return found


def wrong_figures(job: Job, index: int, item: Ready) -> list[str]:
    """Each figure 3 to 15 % off, up or down, by a generator of its own: the passes stay as they are."""
    from speedlog.demo.scenario import figure_text

    rng = np.random.default_rng([job.seed, zlib.crc32(job.family.encode()), index, 1])
    off = [rng.uniform(*MISKEYED) * rng.choice([-1.0, 1.0]) for _ in item.facts["parts"]]
    return [figure_text(one["official"] * (1 + by)) for one, by in zip(item.facts["parts"], off, strict=True)]


def _reviewed(item: Ready, folder: Path, wrong: list[str] | None) -> list[dict[str, Any]]:
    """What the program says of each pass in the logs; of the wrong figures too where there are some."""
    from speedlog.course.coursefile import Course
    from speedlog.errors import SpeedlogError
    from speedlog.pipeline import Memory, review

    parts = item.facts["parts"]
    files, memory = item.write(folder), Memory()
    try:
        course = Course.load(folder / "course.toml")
        options = {"course": course, "memory": memory, **item.facts["options"]}
        found = review(files, trap=[part["figure"] for part in parts], **options)
        again = None if wrong is None else review(files, trap=wrong, **options)
    except SpeedlogError as error:
        return [{"failed": str(error)}] * len(parts)
    if len(found.passes) != len(parts):
        return [{"failed": f"{len(found.passes)} passes for {len(parts)}"}] * len(parts)
    answers = [_answer(found, place, part) for place, part in enumerate(parts)]
    for place, answer in enumerate(answers):
        verdict = again.passes[place].verdict if again else None
        answer |= {"miskeyed": verdict.code} if verdict else {}
    return answers


def _answer(found: Any, place: int, facts: dict[str, Any]) -> dict[str, Any]:
    from tests.benchmarks.instruments import lags_found, wheel_found

    one = found.passes[place]
    if one.trap is None or one.trap.estimate_mps is None:
        return {"failed": "no estimate"}
    return {
        "speedlog": one.trap.estimate_mps, "interval": list(one.trap.interval95_mps or ()),
        "peak": one.peak.estimate_mps if one.peak else None,
        "peak_interval": list(one.peak.interval95_mps) if one.peak else None,
        "verdict": one.verdict.code if one.verdict else None,
        "faults": [[fault.kind for fault in logger.faults] for logger in one.loggers],
        "lags": lags_found(facts["true_lags"], one),
        "wheel": wheel_found(facts["true_wheel"], found, one),
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
        "sharp": _sharp(good, true),
    }


def _sharp(good: Sequence[dict[str, Any]], true: Array) -> float:
    """Root mean square error of the oracle that takes a wheel's slip from its own acceleration."""
    if not any("oracle_sharp" in item for item in good):
        return float("nan")
    errors = np.array([item.get("oracle_sharp", item["oracle"]) for item in good]) - true[:, None]
    return float(np.sqrt(np.min(np.mean(errors**2, axis=0))))


def measure(
    seed: int, names: Sequence[str], count: int, workers: int = 2, begin: int = 0, oracle: bool = False,
    cache: Path | None = None, miskeyed: bool = False,
) -> list[dict[str, Any]]:  # fmt: skip
    """Every pass of every family, in order; from and into `cache` where one is given."""
    jobs = [
        Job(seed, name, tuple(range(first, min(first + TOGETHER, begin + count))), oracle, cache, miskeyed)
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
