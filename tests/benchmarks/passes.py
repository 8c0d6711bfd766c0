"""Simulated passes made ready for a review: files, and all facts that don't hang on the estimator.

Facts are the truth, the simple ways' figures and the oracle's answers. They can be kept on disk, so that
a change of the estimator costs only the reviews: the key is (seed, family, index) and a digest of the
sources that make them. What is kept is what would be made again; nothing else hangs on it.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

import speedlog.demo
from speedlog.demo.scenario import SimulatedPass

_FACTS = "facts.json"
_SOURCES = ("expected.py", "faults_events.py", "instruments.py", "oracle.py", "passes.py", "simple.py")


@dataclass(frozen=True)
class Ready:
    """A pass to be reviewed.

    Attributes:
        files: name to content, course.toml among them; the logs in the order of `facts["logs"]`.
        facts: what is true of the pass, as JSON has it.
    """

    files: dict[str, bytes]
    facts: dict[str, Any]

    def write(self, folder: Path) -> list[Path]:
        """Write all files; the paths of the logs, GNSS first."""
        for name, content in self.files.items():
            (folder / name).write_bytes(content)
        return [folder / name for name in self.facts["logs"]]


def facts_of(run: SimulatedPass) -> dict[str, Any]:
    """How the logs are to be reviewed, and in `parts` the facts of each pass in them, in order of time."""
    options: dict[str, Any] = {}
    if run.wheel is not None and run.wheel_diameter_m is not None:
        options = {"wheel_diameter": f"{1000 * run.wheel_diameter_m:.1f} mm", "gear_ratio": run.gear_ratio}
    return {
        "options": options, "parts": [_part_facts(part) for part in run.passes],
        "logs": [name for name, _, _ in run.gnss] + ([run.wheel[0]] if run.wheel else []),
    }  # fmt: skip


def _part_facts(run: SimulatedPass) -> dict[str, Any]:
    """Truth and simple ways of one pass, the verdicts that are right, what is true of its instruments."""
    from speedlog.demo.scenario import figure_text
    from tests.benchmarks import simple
    from tests.benchmarks.expected import doubt_is_due, expected_codes
    from tests.benchmarks.instruments import true_lags, wheel_truth

    return {
        "true": run.trap_mps, "peak_true": run.truth.peak_mps, "official": run.official_mps,
        "highest": simple.highest_reading(run), "interp": simple.interpolated(run),
        "savgol": simple.savitzky_golay(run), "figure": figure_text(run.official_mps),
        "expected": sorted(expected_codes(run)), "doubt_due": doubt_is_due(run),
        "true_lags": true_lags(run), "true_wheel": wheel_truth(run),
    }  # fmt: skip


def ready(
    seed: int, name: str, indices: Sequence[int], *, oracle: bool = False, cache: Path | None = None
) -> list[Ready]:
    """Passes of a family, from the cache or made (and then kept there)."""
    kept = {i: None if cache is None else _load(_place(cache, seed, name, i)) for i in indices}
    missing = [i for i, item in kept.items() if item is None or (oracle and "oracle" not in item.facts)]
    for i, item in zip(missing, _made(seed, name, missing, oracle), strict=True):
        kept[i] = item
        if cache is not None:
            _save(_place(cache, seed, name, i), item)
    return [item for item in kept.values() if item is not None]


def _made(seed: int, name: str, indices: Sequence[int], oracle: bool) -> list[Ready]:
    from speedlog.demo.draws import seeded
    from speedlog.demo.families import family

    runs = [family(name, seeded(seed, name, index)) for index in indices]
    facts = [facts_of(run) for run in runs]
    if oracle and runs:
        from tests.benchmarks.oracle import oracles

        for item in facts:
            item["oracle"] = True
        parts = [part for item in facts for part in item["parts"]]
        ones = [one for run in runs for one in run.passes]
        for part, answer in zip(parts, oracles(ones), strict=True):
            part |= {"oracle": answer.trap_mps.tolist(), "oracle_sd": answer.sd_mps.tolist()}
        wheeled = [i for i, one in enumerate(ones) if one.wheel is not None]
        for i, answer in zip(wheeled, oracles([ones[i] for i in wheeled], sharp=True), strict=True):
            parts[i]["oracle_sharp"] = answer.trap_mps.tolist()
    return [Ready(run.files(), item) for run, item in zip(runs, facts, strict=True)]


@lru_cache(1)
def digest() -> str:
    """Of all sources that files and facts come from (the whole simulator, the oracle, the simple ways)."""
    here, demo = Path(__file__).parent, Path(speedlog.demo.__file__).parent
    found = hashlib.sha256(np.__version__.encode())
    for path in [*sorted(demo.glob("*.py")), demo.parent / "units.py", *sorted(here.glob("*.py"))]:
        if path.parent != here or path.name in _SOURCES:
            found.update(path.name.encode() + b"\0" + path.read_bytes())
    return found.hexdigest()[:16]


def _place(cache: Path, seed: int, name: str, index: int) -> Path:
    return cache / digest() / name / f"{seed}_{index}.zip"


def _load(path: Path) -> Ready | None:
    """What was kept; None where nothing is, or only part of it."""
    try:
        with zipfile.ZipFile(path) as archive:
            files = {name: archive.read(name) for name in archive.namelist()}
        return Ready(files, json.loads(files.pop(_FACTS)))
    except (FileNotFoundError, zipfile.BadZipFile, KeyError):
        return None


def _save(path: Path, item: Ready) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{os.getpid()}")
    with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in item.files.items():
            archive.writestr(name, content)
        archive.writestr(_FACTS, json.dumps(item.facts))
    part.replace(path)
