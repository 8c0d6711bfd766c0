"""One pass as all its recordings saw it: tracks, their faults, and the motion fused from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.course.coursefile import Course
from speedlog.course.passes import PassSpan
from speedlog.course.track import Track, make_track
from speedlog.faults import Span, find_faults, inside, speed_usable, usable
from speedlog.fusion.clocks import ClockOffset, PassGroup
from speedlog.fusion.disagree import Apart, Odds, blame, furthest_apart, odds, sure
from speedlog.fusion.estimate import Motion, accounts, decided, either
from speedlog.fusion.lag import NO_LAG, Lag, delays
from speedlog.fusion.measure import GnssSource, WheelSource
from speedlog.fusion.settle import Settled, settle
from speedlog.fusion.stray import stray_speeds
from speedlog.fusion.wheel import WheelFit, fit_wheel
from speedlog.samples import Clock, Recording, seconds
from speedlog.settings import Settings

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Witnessed:
    """One GNSS recording's part in a pass. Masks are (N,) over the track's samples."""

    recording: int  # its place among the files given
    track: Track
    faults: tuple[Span, ...]
    place_ok: Mask
    speed_ok: Mask
    source: GnssSource
    delay: Lag = NO_LAG  # by which all of it came late against the other loggers; taken off its times
    clock_by_pass: bool = False  # it has no clock: its times were set by the pass itself


@dataclass(frozen=True, eq=False)
class WheelPart:
    """One wheel log's part in a pass, aligned; the track's times and places are the pass's."""

    recording: int
    track: Track
    fit: WheelFit
    speed_mps: Array  # (N,) corrected by scale, growth and slip


@dataclass(frozen=True)
class Doubt:
    """Two loggers that differ by `size_mps` from `start_s` to `end_s`, and nothing tells which is right."""

    files: tuple[str, str]
    size_mps: float
    start_s: float
    end_s: float


@dataclass(frozen=True, eq=False)
class Drive:
    """A pass with its motion. `origin` is the UTC from which all times count, in seconds.

    `accounts` is what the GNSS loggers say alone, under each likely account of their lags; `motion` comes
    with `add_wheels`, from all sources, and with it `doubts`: where two loggers differ and nothing tells who is
    right.
    """

    origin: pd.Timestamp
    end: pd.Timestamp
    span: PassSpan
    sign: int
    beams_m: tuple[float, float] | None  # travel at the beams in the order in which they are crossed
    seen: tuple[Witnessed, ...]
    wheels: tuple[WheelPart, ...]
    accounts: tuple[Settled, ...]
    motion: Motion | None = None
    doubts: tuple[Doubt, ...] = ()

    @property
    def settled(self) -> Settled | None:
        """The likeliest account."""
        return self.accounts[0] if self.accounts else None

    def utc(self, time_s: float) -> pd.Timestamp:
        return self.origin + pd.Timedelta(round(time_s * 1e9), "ns")


def gather(
    group: PassGroup,
    recordings: Sequence[Recording],
    offsets: Sequence[ClockOffset],
    course: Course | None,
    settings: Settings,
) -> Drive | None:
    """Cut a pass out of its GNSS recordings and fuse them; None where nothing of it can be used."""
    starts = [span.start + pd.Timedelta(offsets[i].offset_s, "s") for i, span in group.members]
    ends = [span.end + pd.Timedelta(offsets[i].offset_s, "s") for i, span in group.members]
    origin = min(starts)
    line = group.members[0][1]
    seen = []
    for i, span in group.members:
        # without a course each span has fitted its own line: one pass has one line
        own = replace(span, line=line.line)
        own_origin = origin - pd.Timedelta(offsets[i].offset_s, "s")
        track = make_track(recordings[i], own, course, origin=own_origin, settings=settings.passes)
        if track is not None:
            seen.append(_witness(i, track, settings))
    if not seen:
        return None
    seen = _in_step(seen, [recordings[item.recording].clock is Clock.ELAPSED for item in seen], settings)
    sign = seen[0].track.sign
    beams = None if course is None else _beams(course, sign)
    return Drive(origin, max(ends), line, sign, beams, tuple(seen), (), _accounts(seen, beams, settings))


def _accounts(
    seen: Sequence[Witnessed], beams_m: tuple[float, float] | None, settings: Settings
) -> tuple[Settled, ...]:
    unsure = [item.delay.u_s for item in seen]
    return accounts([item.source for item in seen], [], beams_m, settings.fusion, unsure)


def _in_step(seen: list[Witnessed], free: Sequence[bool], settings: Settings) -> list[Witnessed]:
    """The loggers with their delays against the earliest taken off: all their times are its times."""
    if len(seen) < 2:
        return seen
    found = delays([item.source for item in seen], free, settings.fusion)
    seen = [replace(item, clock_by_pass=own) for item, own in zip(seen, free, strict=True)]
    return [item if late == NO_LAG else _earlier(item, late) for item, late in zip(seen, found, strict=True)]


def _earlier(item: Witnessed, late: Lag) -> Witnessed:
    """The part with all its times moved back; its track's own clock is kept by moving the origin the other way."""
    origin = item.track.origin + pd.Timedelta(round(late.lag_s * 1e9), "ns")
    track = replace(item.track, time_s=item.track.time_s - late.lag_s, origin=origin)
    faults = tuple(
        replace(span, start_s=span.start_s - late.lag_s, end_s=span.end_s - late.lag_s)
        for span in item.faults
    )
    source = replace(item.source, time_s=track.time_s)
    return replace(item, track=track, faults=faults, source=source, delay=late)


def _beams(course: Course, sign: int) -> tuple[float, float]:
    return (course.entry_m, course.exit_m) if sign > 0 else (-course.exit_m, -course.entry_m)


def _witness(i: int, track: Track, settings: Settings) -> Witnessed:
    spans = find_faults(track, settings.faults)
    speed = track.samples["speed_mps"].to_numpy(dtype=float)
    # an epoch whose position alone is off still tells the speed, and the other way round
    place_ok = usable(track, [span for span in spans if span.concerns != "speed"]) & np.isfinite(
        track.along_m
    )
    speed_ok = speed_usable(track, [span for span in spans if span.concerns != "position"]) & np.isfinite(
        speed
    )
    weak = inside(track, spans, frozenset({"poor_fix"}))
    source = GnssSource(
        track.time_s, track.sign * track.along_m, speed, place_ok, speed_ok, track.interval_s, weak=weak
    )
    return Witnessed(i, track, spans, place_ok, speed_ok, source)


def _unmasked(drive: Drive, settings: Settings) -> Drive:
    """The pass with the stray readings that only the fused motion shows up among its faults."""
    motion = drive.motion
    if motion is None:
        return drive
    seen = []
    for item, source, noise in zip(drive.seen, motion.gnss, motion.noises, strict=True):
        more = stray_speeds(item.track, source, noise, motion, settings.fusion)
        faults = tuple(sorted((*item.faults, *more), key=lambda span: (span.start_s, span.end_s)))
        speed_ok = item.speed_ok & speed_usable(item.track, more)
        seen.append(
            replace(item, faults=faults, speed_ok=speed_ok, source=replace(source, speed_ok=speed_ok))
        )
    return replace(drive, seen=tuple(seen))


@dataclass(frozen=True, eq=False)
class WheelLog:
    """A wheel log ready for the passes.

    Attributes:
        recording: its place among the files given.
        source: the log. tread_mps: (N,) its nominal tread speed.
        offset_s: UTC minus its own time, coarsely.
    """

    recording: int
    source: Recording
    tread_mps: Array
    offset_s: float


def add_wheels(
    drive: Drive, wheels: Sequence[WheelLog], settings: Settings
) -> tuple[Drive, tuple[tuple[int, str], ...]]:
    """The pass with its motion, from its GNSS loggers and from every wheel log that follows the car.

    Where two loggers differ, the one that the evidence speaks against is left out for so long; where it does not
    tell, the pass is estimated without the one and without the other, and holds both.

    Returns:
        The pass; and for each log that does not follow the car, its place among the files and why.
    """
    if drive.settled is None:
        return drive, ()
    fused, left_out = _fused(drive, wheels, settings)
    for _ in range(settings.fusion.apart_most):
        apart = None if fused.account is None else furthest_apart(fused.account, settings.fusion)
        if apart is None:
            break
        motion = fused.drive.motion
        assert motion is not None
        told = odds(apart, motion.gnss, motion.wheels, drive.beams_m, settings.fusion)
        if not sure(apart, told, motion.gnss, motion.wheels, settings.fusion):
            fused = _undecided(fused.drive, apart, told, wheels, settings)
            break
        drive = _without(fused.drive, apart, told, settings)
        fused, left_out = _fused(drive, wheels, settings)
    return _unmasked(fused.drive, settings), left_out


@dataclass(frozen=True, eq=False)
class _Fused:
    """A pass with its motion, and the account of its loggers that the motion is taken from."""

    drive: Drive
    account: Settled | None


def _fused(
    drive: Drive, wheels: Sequence[WheelLog], settings: Settings
) -> tuple[_Fused, tuple[tuple[int, str], ...]]:
    assert drive.settled is not None
    parts, left_out = [], []
    for log in wheels:
        part = _wheel_part(drive, log, settings)
        if part is None:
            continue
        limit = settings.fusion.wheel_worst_residual * float(np.max(drive.settled.speed_mps))
        if part.fit.residual_mps > limit:
            when = f"{drive.origin:%H:%M:%S} UTC"
            left_out.append(
                (log.recording, f"its wheel speed does not follow the car's in the pass of {when}: left out")
            )
            continue
        parts.append(part)
    found = drive.accounts
    if parts:
        wheel_sources = [part.fit.source for part in parts]
        again = [settle(list(item.gnss), wheel_sources, drive.beams_m, settings.fusion, 2) for item in found]
        found = tuple(item for item in again if item is not None)
    motion = decided(found, settings.fusion)
    assert motion is not None
    placed = tuple(
        _placed(_moved(part, source), motion, wander, drive.sign, settings)
        for part, source, wander in zip(parts, motion.wheels, motion.wander, strict=True)
    )
    chosen = next((item for item in found if item.gnss is motion.gnss), None)
    return _Fused(replace(drive, wheels=placed, motion=motion), chosen), tuple(left_out)


def _without(drive: Drive, apart: Apart, told: Odds, settings: Settings) -> Drive:
    """The pass without the readings of the logger that is wrong in the stretch; they are a fault of its own."""
    assert drive.motion is not None
    wrong, places_too = (
        (apart.one, told.places_too[0]) if told.told > 0.0 else (apart.other, told.places_too[1])
    )
    motion, track = drive.motion, drive.seen[wrong].track
    time = track.time_s[apart.holds(motion.gnss[wrong])]
    names = [item.track.file for item in drive.seen]
    detail = blame(apart, names, wrong, motion.gnss, motion.wheels, settings.fusion)
    span = Span("outlier", float(time[0]), float(time[-1]), detail, "both" if places_too else "speed")
    return _dropped(drive, apart, wrong, places_too, settings, span)


def _dropped(
    drive: Drive, apart: Apart, which: int, places_too: bool, settings: Settings, span: Span | None = None
) -> Drive:
    """The pass without a logger's speeds in a stretch; `span` is told as a fault.

    Where its places went by them, they are off from then on: none of those counts.
    """
    assert drive.motion is not None
    item = drive.seen[which]
    held = apart.holds(drive.motion.gnss[which])
    speed_ok, place_ok = item.speed_ok & ~held, item.place_ok
    if places_too:
        place_ok = place_ok & ~np.logical_or.accumulate(held)
    faults = item.faults if span is None else (*item.faults, span)
    seen = list(drive.seen)
    seen[which] = replace(
        item, faults=tuple(sorted(faults, key=lambda span: (span.start_s, span.end_s))), speed_ok=speed_ok,
        place_ok=place_ok, source=replace(item.source, speed_ok=speed_ok, place_ok=place_ok),
    )  # fmt: skip
    return replace(drive, seen=tuple(seen), accounts=_accounts(seen, drive.beams_m, settings))


def _undecided(
    drive: Drive, apart: Apart, told: Odds, wheels: Sequence[WheelLog], settings: Settings
) -> _Fused:
    """The pass with a motion that holds both: without the one logger in the stretch, and without the other."""
    # that `one` is wrong; odds that don't decide must not shut the other out of the interval either
    weight = 1.0 / (1.0 + np.exp(-told.told / settings.fusion.apart_alone_odds))
    motions = []
    for which, places_too in zip((apart.one, apart.other), told.places_too, strict=True):
        fused, _ = _fused(_dropped(drive, apart, which, places_too, settings), wheels, settings)
        assert fused.drive.motion is not None
        motions.append(fused.drive.motion)
    files = drive.seen[apart.one].track.file, drive.seen[apart.other].track.file
    doubt = Doubt(files, apart.size_mps, apart.start_s, apart.end_s)
    motion = either(motions, (weight, 1.0 - weight))
    return _Fused(replace(drive, motion=motion, doubts=(*drive.doubts, doubt)), None)


def _moved(part: WheelPart, source: WheelSource) -> WheelPart:
    """The part with its clock and constants as the whole pass has settled them."""
    track = replace(part.track, time_s=part.track.time_s + source.clock_s)
    fit = replace(part.fit, source=source, offset_s=part.fit.offset_s + source.clock_s)
    return replace(part, track=track, fit=fit)


def _wheel_part(drive: Drive, log: WheelLog, settings: Settings) -> WheelPart | None:
    settled = drive.settled
    assert settled is not None
    recording, tread = log.source, log.tread_mps
    offset = pd.Timedelta(round(log.offset_s * 1e9), "ns")
    margin = pd.Timedelta(settings.fusion.wheel_search_s + 0.5, "s")
    index = recording.samples.index
    own_start, own_end = drive.origin - offset, drive.utc(float(settled.knots_s[-1])) - offset
    inside = np.asarray((index >= own_start - margin) & (index <= own_end + margin)) & np.isfinite(tread)
    if inside.sum() < 10:
        return None
    own_time = seconds(index[inside], own_start)
    fit = fit_wheel(
        own_time, tread[inside], 0.0, settled.knots_s, settled.speed_mps, settled.accel_mps2,
        stands_behind(settled), settings.fusion,
    )  # fmt: skip
    if fit is None:
        return None
    time = own_time + fit.offset_s
    blank = np.full(len(time), np.nan)
    interval = float(np.median(np.diff(time)))
    track = Track(
        recording.file, "wheel", own_start - pd.Timedelta(fit.offset_s, "s"), time, recording.samples[inside], blank,
        blank, interval, drive.sign, drive.seen[0].track.trap,
    )  # fmt: skip
    return WheelPart(log.recording, track, replace(fit, offset_s=log.offset_s + fit.offset_s), tread[inside])


def stands_behind(settled: Settled) -> Mask:
    """(K,) knots that lie between two usable epochs of some logger, no more than 1.5 intervals apart."""
    time = settled.knots_s
    trusted = np.zeros(len(time), dtype=bool)
    for item in settled.gnss:
        epochs = item.time_s[item.speed_ok | item.place_ok]
        if len(epochs) < 2:
            continue
        after = np.clip(np.searchsorted(epochs, time), 1, len(epochs) - 1)
        near = epochs[after] - epochs[after - 1] <= 1.5 * item.interval_s
        trusted |= near & (time >= epochs[0]) & (time <= epochs[-1])
    return trusted


def _placed(part: WheelPart, motion: Motion, wander: Array, sign: int, settings: Settings) -> WheelPart:
    """The wheel log's samples where the car was, and its speed with growth and slip taken off."""
    track, source = part.track, part.fit.source
    inside = (track.time_s >= motion.time_s[0]) & (track.time_s <= motion.time_s[-1])
    time, tread = track.time_s[inside], part.speed_mps[inside]
    accel = np.interp(time, motion.time_s, motion.accel_mps2)
    speed = source.speed_of(tread, accel, settings.fusion) * (1 + np.interp(time, motion.time_s, wander))
    along = sign * np.interp(time, motion.time_s, motion.travel_m)
    track = replace(
        track, time_s=time, samples=track.samples[inside], along_m=along, across_m=np.full(len(time), np.nan)
    )
    return replace(part, track=track, speed_mps=speed)
