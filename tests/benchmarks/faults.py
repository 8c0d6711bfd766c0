"""Faults found in simulated logs against what is wrong with them, kind by kind and rate by rate.

An event below the issue's sizes is counted apart: finding it is no false alarm, missing it no miss.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from speedlog.demo.scenario import SimulatedPass
from tests.benchmarks.faults_events import KINDS, OUTLIER_SDS, LogCase, case_of, noise_mps
from tests.benchmarks.table import text_table

EPOCHS_OFF = 1.5


@dataclass(frozen=True)
class Found:
    """A fault as the program reports it, in true seconds since the launch."""

    kind: str
    start_s: float
    end_s: float
    near: bool
    detail: str = ""


def find_in_tracks(run: SimulatedPass, folder: Path) -> list[list[Found]]:
    """What `find_faults` says of each log by itself: importer, course, faults; no fusion."""
    from speedlog.course.coursefile import Course
    from speedlog.faults import find_faults, to_fault

    course = Course.load(folder / "course.toml")
    found = []
    for name, _, _ in run.gnss:
        track = track_of(folder / name, course, run)
        spans = [] if track is None else find_faults(track)
        found.append([_told(to_fault(span, track), run) for span in spans])
    return found


def track_of(path: Path, course: Any, run: SimulatedPass) -> Any:
    """The track of the pass in one log; None when no pass was found."""
    from speedlog.course.passes import find_passes
    from speedlog.course.track import make_track
    from speedlog.importers import read
    from speedlog.settings import PassSettings

    recording = read(path)
    spans = find_passes(recording, course, PassSettings())
    return make_track(recording, spans[0], course) if spans else None


def find_by_review(run: SimulatedPass, folder: Path) -> list[list[Found]]:
    """What `speedlog.review` reports for each log."""
    from speedlog.course.coursefile import Course
    from speedlog.pipeline import review

    files = [folder / name for name, _, _ in run.gnss]
    options: dict[str, Any] = {}
    if run.wheel is not None and run.wheel_diameter_m is not None:
        files.append(folder / run.wheel[0])
        options = {"wheel_diameter": f"{1000 * run.wheel_diameter_m:.1f} mm", "gear_ratio": run.gear_ratio}
    done = review(files, course=Course.load(folder / "course.toml"), **options)
    by_name = {item.file: item.faults for part in done.passes for item in part.loggers}
    return [[_told(fault, run) for fault in by_name.get(name, ())] for name, _, _ in run.gnss]


def _told(fault: Any, run: SimulatedPass) -> Found:
    start, end = ((at.value - run.launch_ns) / 1e9 for at in (fault.start_utc, fault.end_utc))
    return Found(fault.kind, start, end, fault.near_trap, fault.detail)


def judge(case: LogCase, found: Sequence[Found]) -> list[dict[str, Any]]:
    """A record an event (hit or missed), and one a found fault that no event of its kind overlaps.

    Kinds of record: "hit" and "miss" of a full event, "small" and "small missed", "real" for a found
    outlier without a label whose readings are that wrong all the same, "false".
    """
    near_s = 0.5 / case.rate_hz
    common = {"family": case.family, "index": case.index, "rate_hz": case.rate_hz}
    records, used = [], set()
    for event in case.events:
        same = [
            item for item in found
            if _matches(item.kind, event.kind)
            and item.start_s <= event.end_s + near_s and item.end_s >= event.start_s - near_s
        ]  # fmt: skip
        used |= {id(item) for item in same}
        words = {(True, True): "hit", (True, False): "miss", (False, True): "small"}
        record: dict[str, Any] = {
            "kind": event.kind, "what": words.get((event.full, bool(same)), "small missed"),
            "from": event.start_s, "to": event.end_s,
        }  # fmt: skip
        if same:
            record["start_off"] = (min(item.start_s for item in same) - event.start_s) * case.rate_hz
            record["end_off"] = (max(item.end_s for item in same) - event.end_s) * case.rate_hz
            record["near"] = None if event.near is None else any(i.near for i in same) == event.near
        records.append(common | record)
    for item in found:
        if id(item) not in used:
            what = "real" if _really_wrong(case, item) else "false"
            records.append(
                common | {"kind": item.kind, "what": what, "from": item.start_s, "to": item.end_s,
                          "detail": item.detail}
            )  # fmt: skip
    return records


def _matches(found: str, event: str) -> bool:
    return found == event.removesuffix(" (place)")


def _really_wrong(case: LogCase, item: Found) -> bool:
    """An outlier that nobody put in: heavy tails and a poor fix bring readings that are as wrong."""
    if item.kind != "outlier":
        return False
    rows = (case.log.true_s >= item.start_s - 1e-3) & (case.log.true_s <= item.end_s + 1e-3)
    off = np.abs(case.error_mps[rows])
    return bool(len(off) and np.all(off >= 0.5 * OUTLIER_SDS * noise_mps(case.log)[rows]))


def one_pass(job: tuple[int, str, int, bool]) -> dict[str, Any]:
    """Simulate a pass, find the faults of its logs, judge them."""
    from speedlog.demo.draws import seeded
    from tests.benchmarks.faults_families import make

    seed, name, index, by_review = job
    run = make(name, seeded(seed, name, index))
    with tempfile.TemporaryDirectory() as place:
        run.write(Path(place))
        found = (find_by_review if by_review else find_in_tracks)(run, Path(place))
    cases = [case_of(run, which, index) for which in range(len(run.gnss))]
    records = [record for case, item in zip(cases, found, strict=True) for record in judge(case, item)]
    clean = [not item for case, item in zip(cases, found, strict=True) if not case.log.labels]
    return {"family": name, "index": index, "records": records, "clean": clean}


def measure(
    seed: int, names: Sequence[str], count: int, workers: int, by_review: bool
) -> list[dict[str, Any]]:
    """Every pass of every family, in order."""
    jobs = [(seed, name, index, by_review) for name in names for index in range(count)]
    if workers <= 1:
        return [one_pass(job) for job in jobs]
    # numerical libraries with threads of their own would only get in each other's way
    os.environ.update({"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"})
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(one_pass, jobs, chunksize=4))


DIGITS = dict.fromkeys(("recall", "precision", "start", "end", "near_trap"), 3)


def table(passes: Sequence[dict[str, Any]], *, by_rate: bool = False) -> list[dict[str, Any]]:
    """A row a kind (and a rate)."""
    records = [record for item in passes for record in item["records"]]
    rows = []
    for kind in KINDS:
        own = [record for record in records if record["kind"] == kind]
        groups = sorted({record["rate_hz"] for record in own}) if by_rate else [None]
        for rate in groups:
            chosen = [record for record in own if rate in (None, record["rate_hz"])]
            head = {"kind": kind} | ({"rate": f"{rate:g} Hz"} if by_rate else {})
            rows.append(head | _row(chosen))
    extra = sorted({record["kind"] for record in records} - set(KINDS))
    return rows + (
        [] if by_rate else [{"kind": k} | _row([r for r in records if r["kind"] == k]) for k in extra]
    )


def _row(records: Sequence[dict[str, Any]]) -> dict[str, Any]:
    count = {
        what: sum(record["what"] == what for record in records)
        for what in ("hit", "miss", "small", "small missed", "real", "false")
    }
    hits = [record for record in records if record["what"] == "hit"]
    close = {
        edge: _share([abs(record[f"{edge}_off"]) <= EPOCHS_OFF + 1e-6 for record in hits])
        for edge in ("start", "end")
    }
    true = count["hit"] + count["small"] + count["real"]
    return {
        "events": count["hit"] + count["miss"],
        "missed": count["miss"],
        "recall": count["hit"] / (count["hit"] + count["miss"]) if hits or count["miss"] else float("nan"),
        "false": count["false"],
        "precision": true / (true + count["false"]) if true + count["false"] else float("nan"),
        **close,
        "near_trap": _share([record["near"] for record in hits if record["near"] is not None]),
        "small found": count["small"],
        "small missed": count["small missed"],
        "unlabelled": count["real"],
    }  # fmt: skip


def _share(values: Sequence[bool]) -> float:
    return float(np.mean(values)) if values else float("nan")


def clean_table(passes: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """A row a family with clean logs: how many show no fault at all."""
    rows = []
    for name in dict.fromkeys(item["family"] for item in passes):
        clean = [value for item in passes if item["family"] == name for value in item["clean"]]
        if clean:
            rows.append({"family": name, "clean logs": len(clean), "without any fault": _share(clean)})
    every = [value for item in passes for value in item["clean"]]
    return [*rows, {"family": "all", "clean logs": len(every), "without any fault": _share(every)}]


def family_table(passes: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Misses and false alarms of each family, kind by kind."""
    rows = []
    for name in dict.fromkeys(item["family"] for item in passes):
        records = [record for item in passes if item["family"] == name for record in item["records"]]
        row: dict[str, Any] = {"family": name}
        for kind in KINDS:
            own = [record["what"] for record in records if record["kind"] == kind]
            row[kind] = f"{own.count('hit') + own.count('miss')} -{own.count('miss')} +{own.count('false')}"
        rows.append(row)
    return rows


def add_options(commands: Any) -> None:
    """The command `faults` of the benchmarks."""
    from tests.benchmarks.faults_families import NAMES

    found = commands.add_parser("faults", help="faults found against the simulator's labels")
    found.add_argument("--each", type=int, default=20, help="passes a family")
    found.add_argument("--seed", type=int, default=1)
    found.add_argument("--families", nargs="*", default=list(NAMES), choices=NAMES, metavar="FAMILY")
    found.add_argument("--review", action="store_true", help="what a whole review reports, fusion and all")
    found.add_argument("--workers", type=int, default=1)
    found.add_argument("--json", type=Path, default=argparse.SUPPRESS, help="keep all figures in a file")


def run(options: argparse.Namespace) -> dict[str, Any]:
    """Measure and print; what was measured."""
    passes = measure(options.seed, options.families, options.each, options.workers, options.review)
    stage = "review" if options.review else "each log by itself"
    print(f"seed {options.seed}, {options.each} passes a family, {stage}; events of the issue's sizes")
    print(
        "start, end: share within 1.5 epochs; small: below those sizes; unlabelled: readings as wrong as that"
    )
    found = {
        "kinds": table(passes), "rates": table(passes, by_rate=True),
        "families (events -missed +false)": family_table(passes), "clean": clean_table(passes),
    }  # fmt: skip
    for name, rows in found.items():
        print(f"\n{name}\n{text_table(rows, DIGITS)}")
    return {"seed": options.seed, "each": options.each, "stage": stage, **found, "passes": passes}
