"""What a GNSS logger's rate and lag take off its own figures in one pass, and whether that explains them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.fusion.drive import Drive
from speedlog.fusion.estimate import Motion
from speedlog.fusion.lag import Lag, speed_lag
from speedlog.fusion.measure import GnssSource
from speedlog.fusion.passage import Passage
from speedlog.physics.sampling import peak_missed_most, trap_mean_missed_most
from speedlog.reconcile.wording import Speeds
from speedlog.settings import HiddenSettings, Settings

Array = NDArray[np.float64]
_NEARLY = 0.9  # of a difference is all of it, to a driver
_STEPS = 41  # of a filter's delays, and of moments inside the trap: far finer than either needs


@dataclass(frozen=True)
class Hidden:
    """What the rate and the lag of a logger took off its figures.

    Attributes:
        rate_hz: of the log.
        peak_mps: the most by which its highest reading can lie under this pass's peak.
        trap_mps: the most by which joining its readings can lower its trap reading; 0 where the peak
            does not lie in the trap.
        lag: how late its speed comes against its own positions; None where the log can't tell.
        put_right: the lag is beyond doubt, and the estimate allows for it.
        late_peak_mps, late_trap_mps: what such a lag took off; negative where it added.
    """

    rate_hz: float
    peak_mps: float
    trap_mps: float
    lag: Lag | None
    put_right: bool = False
    late_peak_mps: float = 0.0
    late_trap_mps: float = 0.0


@dataclass(frozen=True)
class Difference:
    """A logger's figure less the reference, m/s.

    Attributes:
        doubt_mps: half its 95 % interval.
        by_trap: its mean over the trap was compared, not its highest reading.
    """

    value_mps: float
    doubt_mps: float
    reference_mps: float
    by_trap: bool


def seen_lag(source: GnssSource, settings: HiddenSettings, settled: Lag | None = None) -> Lag | None:
    """The lag of a logger's speed as the log itself shows it; None where it can't.

    Args:
        source: with or without the lag taken in.
        settled: as the estimate has it; told only where the lag is beyond doubt.
    """
    if settled is not None and settled.u_s > 0.0:
        return settled
    found = speed_lag(replace(source, speed_delay_s=0.0, speed_filter_s=0.0))
    # its own uncertainty is that of noise; a slow error that goes with the pull looks like a lag as well
    return None if found is None else Lag(found.lag_s, float(np.hypot(found.u_s, settings.lag_wander_u_s)))


def hidden_from(drive: Drive, place: int, passage: Passage | None, settings: Settings) -> Hidden | None:
    """What rate and lag hid from the logger at `place` among the pass's GNSS loggers."""
    motion = drive.motion
    if motion is None:
        return None
    source, interval = drive.seen[place].source, drive.seen[place].track.interval_s
    at = int(np.argmax(motion.speed_mps))
    peak_s = float(motion.time_s[at])
    gaining, losing = _slopes(motion, peak_s, interval, settings.hidden)
    trap = 0.0
    if passage is not None and passage.entry_s - interval < peak_s < passage.exit_s + interval:
        trap = trap_mean_missed_most(gaining, losing, interval, passage.exit_s - passage.entry_s)
    found = Hidden(
        1.0 / interval, peak_missed_most(gaining, losing, interval), trap,
        seen_lag(source, settings.hidden, motion.lags[place]), source.speed_lag_s > 0.0,
    )  # fmt: skip
    if not found.put_right:
        return found
    delays = _delays(source)
    peak = float(motion.speed_mps[at] - _late(motion, motion.time_s, delays).max())
    in_trap = 0.0
    if passage is not None:
        inside = np.linspace(passage.entry_s, passage.exit_s, _STEPS)
        true = np.interp(inside, motion.time_s, motion.speed_mps)
        in_trap = float(np.mean(true - _late(motion, inside, delays)))
    return replace(found, late_peak_mps=peak, late_trap_mps=in_trap)


def why_text(hidden: Hidden, found: Difference, faulty: bool, unit: str, settings: HiddenSettings) -> str:
    """Whether lag and rate explain a difference, in a sentence each; "" where there is nothing to say.

    Args:
        found: a logger's figure against the trap figure or the estimate.
        faulty: a fault near the trap is told already.
        unit: of the speeds told.
    """
    words, rest, said = Speeds.of(unit), found.value_mps, []
    worth = settings.worth_share * found.reference_mps
    late = hidden.late_trap_mps if found.by_trap else hidden.late_peak_mps
    # a slow logger's doubt is itself what its rate may have cut off: it must not hush what a large lag took
    felt = abs(rest) > found.doubt_mps or (abs(late) > worth and abs(rest) > settings.least_mps)
    if (
        hidden.put_right
        and hidden.lag is not None
        and felt
        and late * rest < 0
        and abs(late) > settings.least_mps
    ):
        doubt = found.doubt_mps + 2.0 * abs(late) * hidden.lag.u_s / hidden.lag.lag_s
        does = f"{'takes off' if late > 0 else 'adds'} {words.gap(late)} here"
        covers = _covers(abs(late), rest, doubt, words)
        said.append(f"Its speed comes {hidden.lag.lag_s:.2f} s late, which {does} and {covers}.")
        rest = 0.0 if abs(rest + late) <= doubt else rest + late
    most = hidden.trap_mps if found.by_trap else hidden.peak_mps
    low = rest < -found.doubt_mps
    # beside a fault near the trap, a rate that can't be all of it is no story
    beside = low and faulty and rest + most < -found.doubt_mps
    if most <= settings.least_mps or beside or not (low or most > worth):
        return " ".join(said)
    what = "lower its trap reading" if found.by_trap else "be missed"
    missed = f"At {hidden.rate_hz:.3g} Hz a sharp peak can {what} by up to {words.gap(most)}"
    covers = f", which {_covers(most, rest, found.doubt_mps, words)}" if rest < -settings.least_mps else ""
    return " ".join([*said, f"{missed}{covers}."])


def _covers(size_mps: float, rest_mps: float, doubt_mps: float, words: Speeds) -> str:
    """Whether an effect covers what is left of a difference, or does so within the doubts."""
    gap = words.gap(rest_mps)
    what = "the difference" if gap.startswith("under") else f"the {gap}"
    if size_mps >= _NEARLY * abs(rest_mps):
        return f"covers {what}"
    if abs(rest_mps) - size_mps <= doubt_mps:
        return f"covers {what} within the uncertainties"
    return f"does not cover {what}"


def _slopes(
    motion: Motion, peak_s: float, interval_s: float, settings: HiddenSettings
) -> tuple[float, float]:
    """What the speed gains just before the peak and loses just after it, m/s², each at least 0."""
    side = max(settings.side_s, 1.5 * interval_s)
    before, top, after = np.interp([peak_s - side, peak_s, peak_s + side], motion.time_s, motion.speed_mps)
    return max(float(top - before) / side, 0.0), max(float(top - after) / side, 0.0)


def _delays(source: GnssSource) -> Array:
    """Delays whose even mix is the logger's lag: one delay, and a first-order filter's in equal shares.

    A filter shows the past with density exp(-s / tau) / tau; each delay is the mean over its share.
    """
    left = np.linspace(1.0, 0.0, _STEPS + 1)
    whole = left - left * np.log(np.maximum(left, 1e-300))  # antiderivative of -ln
    return source.speed_delay_s + source.speed_filter_s * _STEPS * (whole[:-1] - whole[1:])


def _late(motion: Motion, time_s: Array, delays_s: Array) -> Array:
    """(N,) the estimate's speed at these moments, as a logger with such delays would show it."""
    shown = [np.interp(time_s - delay, motion.time_s, motion.speed_mps) for delay in delays_s]
    return np.asarray(np.mean(shown, axis=0), dtype=float)
