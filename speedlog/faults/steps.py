"""Runs of wrong speeds or places: a step away and the same step back that the car did not make.

A sieve picks the runs that lie off the chord between the rows beside them; each is weighed (`likelihood`),
the likeliest are taken out, and what is left is looked at again, since one run can hide another. At the end
each run is weighed once more without the others beside it, row by row.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speedlog.course.track import Track
from speedlog.faults.ceilings import known_limit
from speedlog.faults.judged import BOTH, Known, Log, log_of
from speedlog.faults.likelihood import Doubt, Weighed, What, Window
from speedlog.faults.sieve import standing_out
from speedlog.faults.signals import bridged_speed, distance
from speedlog.faults.slow import wrong_rows
from speedlog.faults.spans import runs
from speedlog.settings import FaultSettings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]
_MOST_ROUNDS = 6
_MOST_TRIES = 4  # of runs in one place that turn out sound when weighed row by row
_BESIDE = 2  # rows on each side of a run that may belong to it


@dataclass(frozen=True, eq=False)
class Steps:
    """(N,) which speeds and which places are wrong, and by how much, m/s and m."""

    wrong: dict[What, Flags]
    off: dict[What, Array]


def wrong_steps(track: Track, place_ok: Flags, poor: Flags, settings: FaultSettings) -> Steps:
    """Runs of wrong speeds and wrong places along the line.

    Args:
        place_ok: (N,) rows whose position may be used.
        poor: (N,) rows with a poor fix, which have a noise of their own.
    """
    log = log_of(track, place_ok, poor, settings)
    if settings.slow_interval_s <= track.interval_s and len(track.time_s) <= settings.slow_most_rows:
        log = replace(log, place_row=np.arange(len(track.time_s)))
        return _sized(
            log, wrong_rows(track.time_s, *_plain(log, track, place_ok & ~poor), settings), large=True
        )
    wrong: dict[What, Flags] = {of: np.zeros(len(track.time_s), dtype=bool) for of in BOTH}
    fresh, closed = np.ones(len(track.time_s), dtype=bool), np.zeros(len(track.time_s), dtype=bool)
    reach = settings.outlier_side_rows + settings.outlier_longest
    gross = True  # the gross ones first, by the most likely run of each place: most looks are saved by that
    for _ in range(_MOST_ROUNDS):
        known = log.without(wrong)
        found = _best(known, [item for of in BOTH for item in _judged(known, of, fresh, gross)])
        if not found and not gross:
            break
        fresh[:], gross = not found, bool(found) and gross
        for of, rows in found:
            if _at_an_end(known, of, rows):
                closed[known.row[max(rows[0] - reach, 0) : rows[-1] + 1 + reach]] = True
                continue
            wrong[of][known.row[rows]] = True
            fresh[known.row[max(rows[0] - reach, 0) : rows[-1] + 1 + reach]] = True
        fresh &= ~closed
    return _sized(log, _settled(log, wrong))


def _plain(log: Log, track: Track, place_ok: Flags) -> tuple[Array, Array, Flags, int]:
    """(N,) speeds but for a flat top, places as logged, and which speeds may be called wrong; the longest run."""
    speed = np.where(log.pinned | _at_limit(log), np.nan, log.value["speed"])
    return speed, np.where(place_ok, track.sign * track.along_m, np.nan), ~log.pinned, log.longest


def _at_limit(log: Log) -> Flags:
    """(N,) rows at a known limit that the readings reach more than once: a flat top perhaps, and no errors."""
    speed, settings = log.value["speed"], log.settings
    reached = np.unique(speed[np.isfinite(speed)], return_counts=True)
    tops = [
        value
        for value, count in zip(*reached, strict=True)
        if count >= settings.ceiling_limit_rows
        and known_limit(float(value), settings.ceiling_known_mps, settings) is not None
    ]
    return np.isin(speed, tops)


def _judged(known: Known, of: What, fresh: Flags, gross: bool) -> list[tuple[float, What, int, int]]:
    """Every run that is likelier wrong than sound: how much of its window that explains, what, first, count."""
    forms: dict[tuple[int, int, bytes], list[tuple[int, int, int]]] = defaultdict(list)
    for first, last in standing_out(known, of, fresh, gross):
        beside = known.beside(first, last)
        if beside is None:
            continue
        start, stop = beside
        key = (first - start, last - first + 1, known.form(start, stop))
        forms[key].append((first, start, stop))
    judged: list[tuple[float, What, int, int]] = []
    for (lead, count, _), items in forms.items():
        form = known.window(items[0][1], items[0][2])
        given = form.weigh(np.column_stack([known.values(start, stop) for _, start, stop in items]))
        doubt = form.doubt(given, of, lead + np.arange(count))
        odds, gain = doubt.wrong - doubt.sound, doubt.wrong - given.true.max(axis=0)
        large = np.abs(doubt.size) > [known.least[of][first : first + count].mean() for first, _, _ in items]
        sure = np.flatnonzero((odds > known.settings.outlier_log_odds) & large)
        judged += [(float(gain[k]), of, items[k][0], count) for k in sure]
    return judged


def _best(known: Known, judged: list[tuple[float, What, int, int]]) -> list[tuple[What, Rows]]:
    """The rows of the likeliest runs, none within reach of a likelier one."""
    apart = known.settings.outlier_side_rows
    taken: list[tuple[int, int]] = []
    found = []
    tries: Counter[int] = Counter()
    for _, of, first, count in sorted(judged, reverse=True):
        near = first // (2 * known.settings.outlier_longest)
        clear = all(first > end + apart or start > first + count + apart for start, end in taken)
        if not clear or tries[near] >= _MOST_TRIES:
            continue
        rows = _narrowed(known, of, np.arange(first, first + count))
        tries[near] += 1
        if len(rows):
            found.append((of, rows))
            taken.append((int(rows[0]), int(rows[-1])))
    return found


def _at_an_end(known: Known, of: What, rows: Rows) -> bool:
    """Whether too few rows lie before or after a run, up to a long hole or the log's end, to speak against it."""
    own = np.isfinite(known.value[of]) & (known.stretch == known.stretch[rows[0]])
    return bool(min(own[: rows[0]].sum(), own[rows[-1] + 1 :].sum()) < _BESIDE)


def _narrowed(known: Known, of: What, doubted: Rows) -> Rows:
    """Which rows in and beside a run are wrong; none when the whole is likelier sound.

    Runs of different length were judged by different rows; here all is weighed on one window. A row is
    given back, or one beside the run taken in, as long as that makes it likelier.
    """
    beside = known.beside(int(doubted[0]), int(doubted[-1]))
    if beside is None:
        return doubted[:0]
    start, stop = beside
    form = known.window(start, stop)
    given = form.weigh(known.values(start, stop)[:, None])
    able = np.flatnonzero(np.isfinite(known.value[of][start:stop]))
    if of == "speed":
        able = able[~known.pinned[start + able]]
    able = able[(able >= doubted[0] - start - _BESIDE) & (able <= doubted[-1] - start + _BESIDE)]
    left = np.intersect1d(able, doubted - start)
    if not len(left):
        return left
    best = form.doubt(given, of, left)
    while True:
        ends = np.setdiff1d(able, left)
        ends = ends[np.isin(ends, [left[0] - 1, left[-1] + 1])]
        moves = [np.delete(left, k) for k in range(len(left)) if len(left) > 1]
        moves += [np.sort(np.append(left, row)) for row in ends]
        tried = [form.doubt(given, of, item) for item in moves]
        top = int(np.argmax([item.wrong[0] for item in tried])) if tried else -1
        if top < 0 or tried[top].wrong[0] <= best.wrong[0]:
            return np.asarray(start + _sure_runs(known, of, form, given, left, best, start))
        left, best = moves[top], tried[top]


def _sure_runs(
    known: Known, of: What, form: Window, given: Weighed, left: Rows, whole: Doubt, start: int
) -> Rows:  # fmt: skip
    """The rows of those runs that are large and sure enough, each weighed beside the others."""
    hit = np.zeros(int(left[-1]) + 1, dtype=bool)
    hit[left] = True
    parts = [left[(left >= first) & (left <= last)] for first, last in runs(hit)]
    kept = [np.empty(0, dtype=np.intp)]
    for part in parts:
        others = np.setdiff1d(left, part)
        without = form.doubt(given, of, others).wrong[0] if len(others) else whole.sound[0]
        alone = form.doubt(given, of, part)
        least = known.least[of][start + part].mean()
        sure = whole.wrong[0] - without > known.settings.outlier_log_odds
        if sure and (len(parts) > 1 or abs(alone.size[0]) > least):
            kept.append(part)
    return np.concatenate(kept)


def _settled(log: Log, wrong: dict[What, Flags]) -> dict[What, Flags]:
    """Each group of wrong rows weighed again without the groups beside it."""
    final: dict[What, Flags] = {of: np.zeros_like(wrong[of]) for of in BOTH}
    for of in BOTH:
        close = wrong[of].copy()
        for first, last in runs(~wrong[of]):
            if first > 0 and last < len(close) - 1 and last - first < _BESIDE:
                close[first : last + 1] = True
        for first, last in runs(close):
            others = dict(wrong)
            others[of] = wrong[of].copy()
            others[of][first : last + 1] = False
            known = log.without(others)
            doubted = np.flatnonzero((known.row >= first) & (known.row <= last))
            if len(doubted):
                rows = _narrowed(known, of, doubted)
                final[of][known.row[rows]] = not (len(rows) and _at_an_end(known, of, rows))
        for first, last in runs(final[of]):
            if last - first >= log.longest:
                final[of][first : last + 1] = False
    return final


def _sized(log: Log, wrong: dict[What, Flags], *, large: bool = False) -> Steps:
    """By how much each wrong value lies off what the sound ones around it say.

    Args:
        large: they are known to be large enough.
    """
    unsound = wrong["speed"] | ~np.isfinite(log.value["speed"])
    rest = log.value["place"] - distance(log.track, unsound)
    sound = np.flatnonzero(np.isfinite(rest) & ~wrong["place"])
    level = np.interp(np.arange(len(rest)), sound, rest[sound]) if len(sound) else rest
    off: dict[What, Array] = {
        "speed": np.where(wrong["speed"], log.value["speed"] - bridged_speed(log.track, unsound), 0.0),
        "place": np.where(wrong["place"], rest - level, 0.0),
    }
    kept: dict[What, Flags] = {of: np.zeros(len(rest), dtype=bool) for of in BOTH}
    for of in BOTH:
        for first, last in runs(wrong[of]):
            part = slice(first, last + 1)
            kept[of][part] = large or np.abs(off[of][part]).mean() > log.least[of][part].mean()
    own: dict[What, Rows] = {"speed": np.arange(len(rest)), "place": log.place_row}
    for of in BOTH:
        hit = np.flatnonzero(kept[of])
        kept[of], off[of] = _at(own[of][hit], kept[of], hit), _at(own[of][hit], off[of], hit)
    return Steps(kept, off)


def _at(rows: Rows, values: NDArray[np.generic], hit: Rows) -> NDArray[Any]:
    """Some of the values, put to other rows; nothing elsewhere."""
    out = np.zeros_like(values)
    out[rows] = values[hit]
    return out
