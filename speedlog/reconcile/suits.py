"""Whether a logger suffices at a speed over a trap: what one log shows of it, and what that comes to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.course.passes import find_passes
from speedlog.course.track import Track, make_track
from speedlog.errors import SpeedlogError
from speedlog.faults import Span, find_faults, speed_usable, usable
from speedlog.faults.ceilings import Limit, known_limits_between
from speedlog.faults.signals import bridged_speed, readings
from speedlog.fusion.lag import Lag
from speedlog.fusion.measure import GnssSource
from speedlog.physics.sampling import peak_missed_most, ramp_read_low, rate_for_one_inside, step_uncertainty
from speedlog.reconcile.hidden import seen_lag
from speedlog.reconcile.written import with_fresh_rows, written_step
from speedlog.samples import Recording
from speedlog.settings import Settings, SuitsSettings

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
_K = 1.96  # half-width of a normal law's central 95 %


@dataclass(frozen=True)
class Slopes:
    """What the speed gains just before the peak and loses just after it, m/s², each at least 0."""

    gaining_mps2: float
    losing_mps2: float


@dataclass(frozen=True)
class LoggerFacts:
    """What one log shows of its logger.

    Attributes:
        passes: found in it.
        interval_s: between its epochs at speed.
        rows_hz: how often it writes a row, where most rows only repeat the last speed; else None.
        step_mps: of its speed's text.
        top_mps: its highest sound reading.
        flat_mps: the lowest speed at which readings stopped, and `flat_text` what was seen; None if none did.
        slopes: of the pass whose peak is the easiest to miss; None without a pass.
        pull_mps2: the hardest pull through the fastest part of a pass; None where no pass shows one.
        lag: of its speed against its own positions, over all passes; None where the log can't tell.
        lost_epochs: missing or unusable near the fastest parts; lost_passes: in so many of the passes.
        longest_s: the longest time without a usable epoch there; 0 where none is missing.
        fault_texts: what happened there, a text each.
    """

    passes: int
    interval_s: float
    rows_hz: float | None
    step_mps: float
    top_mps: float
    flat_mps: float | None
    flat_text: str
    slopes: Slopes | None
    pull_mps2: float | None
    lag: Lag | None
    lost_epochs: int
    lost_passes: int
    longest_s: float
    fault_texts: tuple[str, ...]


@dataclass(frozen=True)
class Suits:
    """What a logger's facts come to at a speed over a trap; speeds in m/s.

    Attributes:
        epochs_inside: on average; one is certain from `rate_for_one_hz` on.
        slopes, own_slopes: the peak's, and whether they are this log's.
        missed_most_mps, missed_mean_mps: by which a sharp peak can be missed.
        step_u_mps: standard uncertainty by the text's step.
        pull_mps2: at which a lag costs: a trap may stand anywhere in the fastest part, not at the peak alone.
        limits: known ones between what the log has shown and just above the target.
        lag_most_s: 95 % upper end of the lag, never under what wander looks like.
        late_mps, late_most_mps: what lag and upper end cost.
        lost_m: what the longest loss near the fastest part would cover at the target.
        allowed_mps: how much is still enough.
    """

    facts: LoggerFacts
    target_mps: float
    trap_m: float
    allowed_mps: float
    epochs_inside: float
    rate_for_one_hz: float
    slopes: Slopes
    own_slopes: bool
    missed_most_mps: float
    missed_mean_mps: float
    step_u_mps: float
    pull_mps2: float
    limits: tuple[Limit, ...]
    lag_most_s: float | None
    late_mps: float | None
    late_most_mps: float | None
    lost_m: float


def logger_facts(recording: Recording, settings: Settings) -> LoggerFacts:
    """What a log shows of its logger.

    Raises:
        SpeedlogError: the log holds no speed of its own, or too little of it.
    """
    speed = recording.samples["speed_mps"].to_numpy(dtype=float)
    if not np.isfinite(speed).any():
        raise SpeedlogError(
            "holds no GNSS speed, so it can't tell whether its logger suffices",
            file=recording.file,
            todo="Give a GNSS log with a speed, or leave out --target.",
        )
    step, rows_hz = written_step(speed), recording.rate_hz
    fresh = with_fresh_rows(recording, step, settings.faults)
    repeats = fresh is not recording
    recording = fresh
    seen = [_Seen.of(track, settings) for track in _tracks(recording, settings)]
    intervals = [item.track.interval_s for item in seen]
    if not intervals and not recording.rate_hz:
        raise SpeedlogError(
            "holds too few samples to tell its rate", file=recording.file, todo="Give a log of a drive."
        )
    flats = [flat for item in seen if (flat := item.flat_top()) is not None]
    flat = min(flats, default=None, key=lambda item: item[0])
    losses = [loss for item in seen if (loss := item.losses(settings.suits)) is not None]
    slopes = [found for item in seen if (found := item.slopes(settings.suits)) is not None]
    pulls = [pull for item in seen if (pull := item.pull(settings.suits)) is not None]
    return LoggerFacts(
        passes=len(seen),
        interval_s=float(np.median(intervals)) if intervals else 1.0 / float(recording.rate_hz or 1.0),
        rows_hz=rows_hz if repeats else None,
        step_mps=step,
        top_mps=max((item.top_mps for item in seen), default=float(np.nanmax(speed))),
        flat_mps=None if flat is None else flat[0],
        flat_text="" if flat is None else flat[1],
        slopes=max(slopes, key=lambda s: peak_missed_most(s.gaining_mps2, s.losing_mps2, 1.0), default=None),
        pull_mps2=max(pulls, default=None),
        lag=_pooled([lag for item in seen if (lag := seen_lag(item.source(), settings.hidden)) is not None]),
        lost_epochs=sum(item[0] for item in losses),
        lost_passes=sum(item[0] > 0 for item in losses),
        longest_s=max((item[1] for item in losses), default=0.0),
        fault_texts=tuple(text for item in seen for text in item.fault_texts(settings.suits)),
    )


def assess(facts: LoggerFacts, target_mps: float, trap_m: float, settings: Settings) -> Suits:
    """What the facts come to at a speed over a trap of this length."""
    own = settings.suits
    slopes = facts.slopes or Slopes(own.gaining_mps2, own.losing_mps2)
    most = peak_missed_most(slopes.gaining_mps2, slopes.losing_mps2, facts.interval_s)
    pull = max(slopes.gaining_mps2, facts.pull_mps2 or 0.0)
    needed = rate_for_one_inside(target_mps, trap_m)
    lag_most = late = late_most = None
    if facts.lag is not None:
        lag_most = max(facts.lag.lag_s + _K * facts.lag.u_s, own.lag_floor_s)
        late = ramp_read_low(pull, max(facts.lag.lag_s, 0.0))
        late_most = ramp_read_low(pull, lag_most)
    shown = facts.top_mps if facts.flat_mps is None else max(facts.top_mps, facts.flat_mps)
    return Suits(
        facts=facts,
        target_mps=target_mps,
        trap_m=trap_m,
        allowed_mps=own.share * target_mps,
        epochs_inside=1.0 / (facts.interval_s * needed),
        rate_for_one_hz=needed,
        slopes=slopes,
        own_slopes=facts.slopes is not None,
        missed_most_mps=most,
        missed_mean_mps=most / 2.0,
        step_u_mps=step_uncertainty(facts.step_mps),
        pull_mps2=pull,
        limits=known_limits_between(
            shown + settings.faults.ceiling_known_mps, target_mps * (1.0 + own.near_limit), settings.faults
        ),
        lag_most_s=lag_most,
        late_mps=late,
        late_most_mps=late_most,
        lost_m=facts.longest_s * target_mps,
    )


def _tracks(recording: Recording, settings: Settings) -> list[Track]:
    spans = find_passes(recording, None, settings.passes) if recording.has_positions else ()
    made = (make_track(recording, span, origin=span.start, settings=settings.passes) for span in spans)
    return [track for track in made if track is not None and np.isfinite(readings(track)).sum() >= 2]


def _pooled(lags: Sequence[Lag]) -> Lag | None:
    """The mean of the passes' lags, each by its own uncertainty (weights 1 / u²)."""
    if not lags:
        return None
    weight = np.array([1.0 / max(lag.u_s, 1e-4) ** 2 for lag in lags])
    mean = float(weight @ np.array([lag.lag_s for lag in lags]) / weight.sum())
    return Lag(mean, float(1.0 / np.sqrt(weight.sum())))


@dataclass(frozen=True, eq=False)
class _Seen:
    """One pass of the log. Masks are (N,)."""

    track: Track
    faults: tuple[Span, ...]
    place_ok: Mask
    speed_ok: Mask
    top_mps: float

    @classmethod
    def of(cls, track: Track, settings: Settings) -> _Seen:
        faults = find_faults(track, settings.faults)
        speed = readings(track)
        place_ok = usable(track, [span for span in faults if span.concerns != "speed"])
        told = [span for span in faults if span.concerns != "position"]
        speed_ok = speed_usable(track, told) & np.isfinite(speed)
        sound = speed[usable(track, told) & np.isfinite(speed)]
        top = float(sound.max()) if len(sound) else float(np.nanmax(speed))
        return cls(track, faults, place_ok & np.isfinite(track.along_m), speed_ok, top)

    def source(self) -> GnssSource:
        track = self.track
        return GnssSource(
            track.time_s, track.sign * track.along_m, readings(track), self.place_ok, self.speed_ok, track.interval_s
        )  # fmt: skip

    def flat_top(self) -> tuple[float, str] | None:
        spans = [span for span in self.faults if span.kind == "ceiling"]
        if not spans:
            return None
        at = (self.track.time_s >= spans[0].start_s) & (self.track.time_s <= spans[0].end_s)
        return float(np.nanmax(readings(self.track)[at])), spans[0].detail

    def slopes(self, settings: SuitsSettings) -> Slopes | None:
        """On both sides of the highest sound reading, itself left out: the peak lies on one side of it."""
        time, speed = self.track.time_s[self.speed_ok], readings(self.track)[self.speed_ok]
        if len(speed) < 2 * settings.side_rows + 1:
            return None
        rows = max(settings.side_rows, round(settings.side_s / self.track.interval_s))
        at = int(np.argmax(speed))
        before, after = slice(max(at - rows, 0), at), slice(at + 1, at + 1 + rows)
        if min(len(time[before]), len(time[after])) < settings.side_rows:
            return None
        gained, lost = (
            float(np.polyfit(time[part] - time[at], speed[part], 1)[0]) for part in (before, after)
        )
        return Slopes(max(gained, 0.0), max(-lost, 0.0))

    def pull(self, settings: SuitsSettings) -> float | None:
        """The mean gain on the way through the fastest part up to the highest sound reading, m/s²."""
        time, speed = self.track.time_s[self.speed_ok], readings(self.track)[self.speed_ok]
        if not len(speed):
            return None
        at = int(np.argmax(speed))
        least = settings.fast_share * speed[at]
        below = np.flatnonzero(speed[:at] < least)
        if not len(below):
            return None
        on = slice(below[-1], below[-1] + 2)
        entered = float(np.interp(least, speed[on], time[on]))
        return float(speed[at] - least) / float(time[at] - entered)

    def _fastest(self, settings: SuitsSettings) -> tuple[float, float]:
        """From when to when the car was nearly as fast as it got."""
        time = self.track.time_s
        fast = time[bridged_speed(self.track) >= settings.fast_share * self.top_mps]
        return float(fast[0]) - self.track.interval_s, float(fast[-1]) + self.track.interval_s

    def losses(self, settings: SuitsSettings) -> tuple[int, float] | None:
        """Epochs lost near the fastest part, and the longest time without one; None where too few are left."""
        first, last = self._fastest(settings)
        flat = np.zeros(len(self.track.time_s), dtype=bool)
        for span in self.faults:
            # a reading that topped out was logged: it is told as a ceiling
            flat |= (
                (span.kind == "ceiling")
                & (self.track.time_s >= span.start_s)
                & (self.track.time_s <= span.end_s)
            )
        kept = self.track.time_s[self.speed_ok | flat]
        if len(kept) < 2:
            return None
        step = np.diff(kept)
        near = (kept[1:] >= first) & (kept[:-1] <= last) & (step > 1.5 * self.track.interval_s)
        lost = np.round(step[near] / self.track.interval_s) - 1.0
        return int(lost.sum()), float(step[near].max(initial=0.0))

    def fault_texts(self, settings: SuitsSettings) -> tuple[str, ...]:
        first, last = self._fastest(settings)
        return tuple(
            span.detail
            for span in self.faults
            if span.kind != "ceiling" and span.start_s <= last and span.end_s >= first
        )
