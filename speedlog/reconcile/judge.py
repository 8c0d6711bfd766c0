"""From the motion of a pass to its result: trap, peak, each logger's part, the verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.course.coursefile import Course
from speedlog.course.straightness import straightness
from speedlog.course.track import Track
from speedlog.course.wind import Wind
from speedlog.errors import plain
from speedlog.faults import coverage, find_faults, inside, to_fault, usable
from speedlog.fusion.drive import Drive, WheelPart, Witnessed
from speedlog.fusion.passage import Passage, top_speed, trap_passage
from speedlog.reconcile.beside import between_loggers
from speedlog.reconcile.compare import Reading, normalised_error, own_reading
from speedlog.reconcile.compare import half_width as half
from speedlog.reconcile.hidden import Difference, Hidden, hidden_from, why_text
from speedlog.reconcile.official import official_figure
from speedlog.reconcile.trace import trace_of
from speedlog.reconcile.verdict import Witness, decide
from speedlog.reconcile.wording import logger_text, unreached_text, verdict_text
from speedlog.results import Fault, Interval, Logger, Official, Pass, Peak, Trap, Verdict, WindPart
from speedlog.settings import Settings

Array = NDArray[np.float64]
_NO_SHIFT = pd.Timedelta(0)


@dataclass(frozen=True, eq=False)
class _Part:
    """A source beside the estimate: what it read, its faults, what rate and lag hid from a GNSS logger."""

    witness: Witness
    faults: tuple[Fault, ...]
    hidden: Hidden | None = None


@dataclass(frozen=True)
class Words:
    """The unit of the sentences: one for all, or each figure's own; `fallback` where a figure is a time."""

    one_for_all: str | None
    fallback: str

    def unit(self, official: Official | None) -> str:
        return self.one_for_all or (official.unit if official else self.fallback)


def judge(
    drive: Drive, number: int, course: Course | None, figure: str | None, wind: Wind | None, words: Words,
    settings: Settings,
) -> Pass:  # fmt: skip
    """The result of one pass.

    Args:
        drive: the pass and its motion.
        number: its number in the review.
        figure: the trap figure as the user gave it, or None.
        wind: as the user gave it, or None.
        words: the unit of the sentences.
    """
    passage = _passage(drive, course, settings)
    parts = [
        replace(_gnss_part(item, drive, settings), hidden=hidden_from(drive, place, passage, settings))
        for place, item in enumerate(drive.seen)
    ]
    parts += [_wheel_part(part, drive, settings) for part in drive.wheels]
    official = None
    if figure is not None and course is not None:
        official = official_figure(figure, course, words.one_for_all or words.fallback)
    estimate = None if passage is None else passage.speed_mps
    reference = official.speed_mps if official else estimate
    unit = words.unit(official)
    loggers = tuple(_logger(part, reference, official, passage, unit, settings) for part in parts)
    verdict = _verdict(parts, official, passage, unit, settings) if official else None
    return Pass(
        number=number,
        start_utc=drive.origin,
        end_utc=drive.end,
        heading_deg=drive.span.heading_deg,
        outbound=drive.span.outbound,
        trap=_trap(drive, course, official, passage, parts),
        peak=_peak(drive, settings),
        loggers=loggers,
        verdict=verdict,
        straightness=straightness([_sound_track(item) for item in drive.seen], settings.passes),
        trap_accel_mps2=None if passage is None else passage.exit_accel_mps2,
        warnings=(*_warnings(drive, course, passage, parts), *between_loggers(drive, unit)),
        wind=None if wind is None else WindPart(wind.text, *wind.along_across(drive.span.heading_deg)),
        trace=trace_of(drive),
    )


def _passage(drive: Drive, course: Course | None, settings: Settings) -> Passage | None:
    if drive.motion is None or drive.beams_m is None or course is None:
        return None
    return trap_passage(drive.motion, *drive.beams_m, course.place_u_m, settings.fusion.trap_widening)


def _gnss_part(item: Witnessed, drive: Drive, settings: Settings) -> _Part:
    track = item.track
    shift = drive.origin - track.origin
    faults = tuple(to_fault(span, track, shift) for span in item.faults)
    share = 0.0 if track.trap is None else coverage(track, item.faults, *track.trap)
    speed = track.samples["speed_mps"].to_numpy(dtype=float)
    ok, flat = usable(track, item.faults), np.zeros(len(speed), dtype=bool)
    for span in item.faults:
        if span.kind == "ceiling":
            flat |= (track.time_s >= span.start_s) & (track.time_s <= span.end_s)
    place = track.sign * track.along_m
    noise = settings.fusion.speed_noise_mps
    if drive.motion is not None:
        there = np.interp(track.time_s, drive.motion.time_s, drive.motion.travel_m, left=np.nan, right=np.nan)
        place = np.where(np.isfinite(place), place, there)
        noise = drive.motion.noises[drive.seen.index(item)].speed_mps
    reading = own_reading(place, speed, ok, flat, drive.beams_m or (0.0, 1.0), share, noise, settings.verdict)
    return _Part(Witness(track.file, True, reading, track.interval_s), faults)


def _sound_track(item: Witnessed) -> Track:
    """The track without the places of a weak or faulty fix, unless nothing else is left."""
    good = item.place_ok & ~inside(item.track, item.faults, frozenset({"poor_fix"}))
    if good.sum() < 2:
        return item.track
    along, across = (np.where(good, part, np.nan) for part in (item.track.along_m, item.track.across_m))
    return replace(item.track, along_m=along, across_m=across)


def _wheel_part(part: WheelPart, drive: Drive, settings: Settings) -> _Part:
    track = part.track
    # a controller's stamps jitter: a gap that the eye could not see in the curve is none
    longest = settings.fusion.wheel_gap_s
    spans = tuple(
        span
        for span in find_faults(track, settings.faults)
        if span.kind == "gap" and span.end_s - span.start_s >= longest
    )
    faults = tuple(to_fault(span, track, drive.origin - track.origin) for span in spans)
    share = 0.0 if track.trap is None else coverage(track, spans, *track.trap)
    ok = np.ones(len(part.speed_mps), dtype=bool)
    reading = own_reading(
        track.sign * track.along_m, part.speed_mps, ok, ~ok, drive.beams_m or (0.0, 1.0), share,
        max(part.fit.residual_mps, settings.fusion.wheel_noise_floor_mps), settings.verdict,
    )  # fmt: skip
    # a wheel's misfit is slip and growth, not noise: it does not average out over the trap
    if reading.trap_u_mps is not None:
        reading = Reading(
            reading.peak_mps, reading.trap_mps, float(np.hypot(reading.trap_u_mps, 2 * part.fit.residual_mps)),
            reading.coverage, False,
        )  # fmt: skip
    return _Part(Witness(track.file, False, reading), faults)


def _trap(
    drive: Drive,
    course: Course | None,
    official: Official | None,
    passage: Passage | None,
    parts: Sequence[_Part],
) -> Trap | None:
    if course is None:
        return None
    share = max((part.witness.reading.coverage for part in parts if part.witness.is_gnss), default=0.0)
    return Trap(
        entry_m=course.entry_m,
        exit_m=course.exit_m,
        official=official,
        estimate_mps=None if passage is None else passage.speed_mps,
        interval95_mps=None if passage is None else (passage.low_mps, passage.high_mps),
        entry_utc=None if passage is None else drive.utc(passage.entry_s),
        exit_utc=None if passage is None else drive.utc(passage.exit_s),
        coverage=share,
    )


def _peak(drive: Drive, settings: Settings) -> Peak | None:
    if drive.motion is None:
        return None
    top = top_speed(drive.motion, settings.fusion.peak_widening)
    return Peak(top.speed_mps, (top.low_mps, top.high_mps), drive.utc(top.time_s), drive.sign * top.travel_m)


def _logger(
    part: _Part, reference: float | None, official: Official | None, passage: Passage | None, unit: str,
    settings: Settings,
) -> Logger:  # fmt: skip
    """A logger against the trap figure (the estimate where there is none), and what it saw."""
    witness, reading = part.witness, part.witness.reading
    own = reading.trap_mps if reading.trap_mps is not None else reading.peak_mps
    difference = compared = error = None
    why, lag = "", part.hidden.lag if part.hidden else None
    if own is not None and reference is not None:
        difference = own - reference
        what = "trap reading" if reading.trap_mps is not None else "peak"
        compared = f"{what} against {'official' if official else 'estimate'}"
        limit = (
            official.interval95_mps if official else (passage.low_mps, passage.high_mps) if passage else None
        )
        if reading.trap_mps is not None and reading.trap_u_mps is not None and limit is not None:
            error = normalised_error(reading.trap_mps, reading.trap_u_mps, reference, half(limit))
        if part.hidden is not None:
            by_trap = reading.trap_mps is not None
            own_u = reading.trap_u_mps if by_trap else 2.0 * settings.fusion.speed_noise_mps
            doubt = float(np.hypot(own_u or 0.0, 0.0 if limit is None else half(limit)))
            found = Difference(difference, doubt, reference, by_trap)
            why = why_text(part.hidden, found, _near_trap(part.faults), unit, settings.hidden)
    return Logger(
        file=witness.name,
        kind="gnss" if witness.is_gnss else "wheel",
        peak_reading_mps=reading.peak_mps,
        trap_reading_mps=reading.trap_mps,
        interval95_mps=_around(reading),
        difference_mps=difference,
        difference_percent=None if difference is None or not reference else 100 * difference / reference,
        compared=compared,
        coverage=reading.coverage,
        normalised_error=error,
        text=f"{logger_text(witness, difference, compared, part.faults, unit)} {why}".rstrip(),
        faults=part.faults,
        lag_s=None if lag is None else lag.lag_s,
        lag_u_s=None if lag is None else lag.u_s,
        peak_missed_mps=None if part.hidden is None else part.hidden.peak_mps,
    )


def _near_trap(faults: Sequence[Fault]) -> bool:
    return any(fault.near_trap for fault in faults)


def _around(reading: Reading) -> Interval | None:
    if reading.trap_mps is None or reading.trap_u_mps is None:
        return None
    return reading.trap_mps - reading.trap_u_mps, reading.trap_mps + reading.trap_u_mps


def _verdict(
    parts: Sequence[_Part], official: Official, passage: Passage | None, unit: str, settings: Settings
) -> Verdict:
    if passage is None:
        return Verdict("not_enough_data", unreached_text(official, unit), None)
    interval = (passage.low_mps, passage.high_mps)
    witnesses = [
        replace(part.witness, late_mps=part.hidden.late_trap_mps)
        if part.hidden is not None and part.hidden.put_right
        else part.witness
        for part in parts
    ]
    finding = decide(passage.speed_mps, interval, official, witnesses, settings.verdict)
    text = verdict_text(
        finding, passage.speed_mps, interval, official, {part.witness.name: part.faults for part in parts},
        passage.exit_accel_mps2, passage.exit_s - passage.entry_s, unit, settings.verdict,
    )  # fmt: skip
    return Verdict(finding.code, text, finding.normalised_error)


def _warnings(
    drive: Drive, course: Course | None, passage: Passage | None, parts: Sequence[_Part]
) -> tuple[str, ...]:
    found = [
        f"{plain(part.witness.name, 80)}: its speed comes {part.hidden.lag.lag_s:.2f} s late against its own "
        "positions; put right in the estimate"
        for part in parts
        if part.hidden is not None and part.hidden.lag is not None and part.hidden.put_right
    ]
    if drive.motion is None:
        found.append("too few usable samples for an estimate")
    elif course is not None and passage is None:
        found.append("the logs don't reach from beam to beam: no estimate through the trap")
    if drive.motion is not None and len(drive.seen) == 1:
        found.append(
            f"{plain(drive.seen[0].track.file, 80)} is the only GNSS logger: a delay common to its speed and its "
            "positions can't be seen, and is taken to be none"
        )
    return tuple(found)
