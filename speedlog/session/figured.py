"""Passes with trap figures, brought to the form in which they tell where the trap is.

A review needs a trap to know which drives are passes. Here its place is the question, so a provisional
one stands where the passes are at their fastest: every pass crosses it at speed. Its place does not
enter the answer: motion and figures are made without it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np

from speedlog.course.coursefile import Course
from speedlog.course.geometry import along_across
from speedlog.course.passes import find_passes
from speedlog.errors import SpeedlogError, plain
from speedlog.importers import ReadOptions
from speedlog.pipeline import Memory, TrapFigures, review
from speedlog.reconcile.independent import witnesses_of
from speedlog.reconcile.locate import FiguredPass
from speedlog.reconcile.official import official_figure
from speedlog.results import Pass, Review
from speedlog.samples import Recording
from speedlog.session.day import Session, SessionPass
from speedlog.session.run import review_session
from speedlog.settings import Settings

_K = 1.96  # half-width of a normal law's central 95 %
_FAST_SHARE = 0.97  # of the pass's highest reading: where it is at its fastest, one wild reading or not
Begin = Callable[[SessionPass], None]


@dataclass(frozen=True, eq=False)
class Figured:
    """A pass with its figure, its review, and its number as the user counts it."""

    number: int
    item: Pass
    review: Review
    traced: FiguredPass

    def witnesses(self, entry_m: float, exit_m: float) -> tuple[str, ...]:
        """How it is written into a course whose trap lies between these."""
        time, along = self.traced.time_s, self.traced.along_m
        first = entry_m if along[-1] > along[0] else exit_m
        order = np.argsort(along, kind="stable")
        entered = float(np.interp(first, along[order], time[order]))
        moment = self.item.start_utc + np.timedelta64(round(entered * 1e9), "ns")
        return witnesses_of(self.review, self.item, moment)


@dataclass(frozen=True, eq=False)
class Gathered:
    """Passes with figures; `left_out` says in a line each which others were not used, and why."""

    passes: tuple[Figured, ...]
    left_out: tuple[str, ...] = field(default=())


def of_session(
    session: Session, course: Course, between_m: tuple[float, float] | None, without: frozenset[int],
    settings: Settings, begin: Begin | None = None,
) -> Gathered:  # fmt: skip
    """The passes of a session that have a figure, but for those `without`.

    Args:
        course: its line and the trap's length count, its place does not.
        between_m: where the whole trap is known to lie.

    Raises:
        SpeedlogError: no pass can be used, or one to be left out isn't there.
    """
    _check_numbers(without, [item.number for item in session.passes])
    memory = Memory()
    wanted = [item for item in session.passes if item.trap and item.logs]
    files = {(log, item.columns) for item in wanted for log in item.logs}
    recordings = [
        item
        for path, columns in sorted(files, key=str)
        for item in memory.read_all(path, ReadOptions(columns=columns, settings=settings.read))
    ]
    day = replace(session, course=_provisional(recordings, course, between_m, settings))
    run = partial(review, memory=memory, settings=settings)
    figured: list[Figured] = []
    left_out: list[str] = []
    for found in review_session(day, run=run, begin=begin).reviews:
        number = found.entry.number
        if number in without:
            left_out.append(f"pass {number}: left out as asked")
        elif found.entry.trap is None:
            left_out.append(f"pass {number}: has no trap figure")
        elif found.review is None:
            left_out.append(f"pass {number}: {plain(found.error, 200)}")
        elif len(found.drives) != 1:
            left_out.append(f"pass {number}: {len(found.drives)} drives at speed in its logs, and one figure")
        else:
            _add(figured, left_out, number, found.drives[0], found.review, course)
    return _at_least_one(figured, left_out)


def of_logs(
    files: Sequence[Path], figures: TrapFigures, course: Course, between_m: tuple[float, float] | None,
    without: frozenset[int], settings: Settings, columns: Path | None = None,
) -> Gathered:  # fmt: skip
    """The same of bare logs; passes are numbered in the order of time, as `speedlog review` does.

    Raises:
        SpeedlogError: as in `of_session`; no figures; or one belongs to no pass.
    """
    memory = Memory()
    options = ReadOptions(columns=columns, settings=settings.read)
    recordings = [item for path in files for item in memory.read_all(path, options)]
    there = _provisional(recordings, course, between_m, settings)
    found = review(files, course=there, trap=figures, columns=columns, memory=memory, settings=settings)
    _check_numbers(without, [item.number for item in found.passes])
    figured: list[Figured] = []
    left_out: list[str] = []
    for item in found.passes:
        if item.number in without:
            left_out.append(f"pass {item.number}: left out as asked")
        else:
            _add(figured, left_out, item.number, item, found, course)
    return _at_least_one(figured, left_out)


def _provisional(
    recordings: Sequence[Recording], course: Course, between_m: tuple[float, float] | None, settings: Settings
) -> Course:
    """The course with its trap where the passes are fastest, not farther than the user says it lies."""
    fastest = [place for recording in recordings for place in _fastest_places(recording, course, settings)]
    if not fastest:
        raise SpeedlogError("no pass at speed was found in these files", todo="Give GNSS logs of passes.")
    entry = float(np.median(fastest)) - course.length_m / 2
    if between_m is not None:
        entry = float(np.clip(entry, between_m[0], max(between_m[1] - course.length_m, between_m[0])))
    return replace(course, entry_m=entry, exit_m=entry + course.length_m, place_u_m=0.0, located_from=())


def _fastest_places(recording: Recording, course: Course, settings: Settings) -> list[float]:
    """Where along the line each drive of a recording is at its fastest, roughly."""
    found = []
    for span in find_passes(recording, None, settings.passes):
        rows = recording.samples[span.start : span.end]
        along, _ = along_across(course.line, rows["lat_deg"].to_numpy(), rows["lon_deg"].to_numpy())
        speed = rows["speed_mps"].to_numpy(dtype=float)
        if not np.isfinite(speed).any():
            speed = np.abs(np.gradient(along, rows.index.to_numpy().astype("int64") / 1e9))
        fast = np.isfinite(along) & (speed >= _FAST_SHARE * min(span.peak_mps, np.nanmax(speed)))
        if fast.any():
            found.append(float(np.median(along[fast])))
    return found


def _add(
    figured: list[Figured], left_out: list[str], number: int, item: Pass, found: Review, course: Course
) -> None:
    """The pass among those used, or the reason why it can't be."""
    official, trace = item.trap.official if item.trap else None, item.trace
    if official is None:
        left_out.append(f"pass {number}: has no trap figure")
        return
    if trace is None:
        left_out.append(f"pass {number}: too few usable samples for an estimate")
        return
    # the tape's part is common to all figures, so each pass's own is taken without it
    alone = official_figure(official.text, replace(course, length_u_m=0.0)).interval95_mps
    traced = FiguredPass(
        f"pass {number}", trace.time_s, trace.along_m, trace.speed_mps,
        np.maximum(trace.speed_high_mps - trace.speed_mps, 0.0) / _K,
        official.speed_mps, (alone[1] - alone[0]) / 2 / _K,
    )  # fmt: skip
    figured.append(Figured(number, item, found, traced))


def _at_least_one(figured: Sequence[Figured], left_out: Sequence[str]) -> Gathered:
    if not figured:
        why = f" ({left_out[0]})" if left_out else ""
        raise SpeedlogError(
            f"no pass has both a trap figure and an estimate{why}", todo="Give the figures of several passes."
        )
    return Gathered(tuple(figured), tuple(left_out))


def _check_numbers(without: frozenset[int], numbers: Sequence[int]) -> None:
    unknown = sorted(without - set(numbers))
    if unknown:
        raise SpeedlogError(
            f"--without {unknown[0]}: there is no pass {unknown[0]}",
            todo=f"Passes here: {', '.join(map(str, numbers[:20]))}.",
        )
