"""The ordered rules of the verdict (design, section 5): the first that applies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from speedlog.reconcile.compare import Reading, half_width, normalised_error
from speedlog.results import Interval, Official, VerdictCode
from speedlog.settings import VerdictSettings


@dataclass(frozen=True)
class Witness:
    """A source as the verdict sees it: its name, whether it is a GNSS logger, its own figures and step."""

    name: str
    is_gnss: bool
    reading: Reading
    interval_s: float = 0.0
    late_mps: float = 0.0  # what a lag that is beyond doubt took off its trap reading


@dataclass(frozen=True)
class Finding:
    """The code, En of the estimate, and the witnesses that the sentence names."""

    code: VerdictCode
    normalised_error: float | None
    witnesses: tuple[Witness, ...]


def decide(
    estimate_mps: float, interval95_mps: Interval, official: Official, witnesses: Sequence[Witness],
    settings: VerdictSettings,
) -> Finding:  # fmt: skip
    """The first rule that applies to an estimate beside a trap figure."""
    u, official_u = half_width(interval95_mps), half_width(official.interval95_mps)
    error = normalised_error(estimate_mps, u, official.speed_mps, official_u)
    if u > settings.widest_half_width * estimate_mps:
        return Finding("not_enough_data", error, ())
    covering = [witness for witness in witnesses if witness.reading.coverage >= settings.least_coverage]
    if abs(error) > settings.disagree_en:
        agreeing = _agreeing_pair(covering, official, official_u, settings)
        if agreeing:
            return Finding("trap_figure_doubtful", error, agreeing)
        if (
            len(covering) == 1
            and _share_off(covering[0], estimate_mps, official) > settings.lone_source_share
        ):
            return Finding("trap_figure_doubtful", error, tuple(covering))
    loggers = [witness for witness in witnesses if witness.is_gnss]
    if not any(logger.reading.coverage >= settings.least_coverage for logger in loggers):
        return Finding("logger_missed_trap", error, tuple(loggers))
    # the steadiest of equally covering loggers: its own interval is the narrowest
    best = max(
        loggers, key=lambda logger: (round(logger.reading.coverage, 2), -(logger.reading.trap_u_mps or 1e9))
    )
    if best.reading.flat_topped_in_trap:
        return Finding("logger_ceiling", error, (best,))
    if best.reading.trap_mps is not None and best.reading.trap_u_mps is not None:
        own = normalised_error(best.reading.trap_mps, best.reading.trap_u_mps, official.speed_mps, official_u)
        if own < -settings.disagree_en:
            return Finding("logger_low", error, (best,))
        if own > settings.disagree_en:
            return Finding("logger_high", error, (best,))
    return Finding("agree", error, tuple(loggers))


def _agreeing_pair(
    covering: Sequence[Witness], official: Official, official_u: float, settings: VerdictSettings
) -> tuple[Witness, Witness] | None:
    """Two sources over the trap that agree with each other, and neither with the figure."""
    for i, one in enumerate(covering):
        for two in covering[i + 1 :]:
            a, b = one.reading, two.reading
            if a.trap_mps is None or b.trap_mps is None or a.trap_u_mps is None or b.trap_u_mps is None:
                continue
            if a.flat_topped_in_trap or b.flat_topped_in_trap:
                continue
            # a logger that is known to come late would else agree with no other
            first, second = a.trap_mps + one.late_mps, b.trap_mps + two.late_mps
            together = abs(normalised_error(first, a.trap_u_mps, second, b.trap_u_mps))
            if together <= settings.only_just_en:
                return one, two
    return None


def _share_off(witness: Witness, estimate_mps: float, official: Official) -> float:
    """How far a lone source lies from the figure; one that logs places alone speaks by the estimate."""
    if witness.reading.flat_topped_in_trap:
        return 0.0
    value = witness.reading.trap_mps if witness.reading.trap_mps is not None else estimate_mps
    return abs(value - official.speed_mps) / official.speed_mps
