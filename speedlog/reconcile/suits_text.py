"""Whether a logger suffices, in words: one plain line for each thing, each with its number, and a last one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from speedlog.errors import plain
from speedlog.faults.spans import duration, metres
from speedlog.reconcile.suits import Suits
from speedlog.reconcile.wording import Speeds
from speedlog.settings import Settings

Topic = Literal["rate", "peak", "text", "ceiling", "lag", "faults"]
NO_STATEMENT = "known limits of fields of that kind, no statement about your logger"


@dataclass(frozen=True)
class Finding:
    """One thing about the logger.

    Attributes:
        enough: None where this log can't tell.
        text: a line with its number. short: the reason in a few words, where it is not enough.
    """

    topic: Topic
    enough: bool | None
    text: str
    short: str = ""


def findings(found: Suits, unit: str, settings: Settings) -> tuple[Finding, ...]:
    """Every line, in the order in which a driver would ask."""
    words = Speeds.of(unit)
    return (
        _rate(found, words, settings), _peak(found, words), _ceiling(found, words, settings),
        _lag(found, words, settings), _text(found, words), _faults(found, settings),
    )  # fmt: skip


def last_word(found: Suits, said: tuple[Finding, ...], unit: str) -> str:
    """Whether it suffices, and why not; never more than this log shows."""
    words = Speeds.of(unit)
    what = f"{words.speed(found.target_mps)} over {metres(found.trap_m)}"
    lacking = [item.short for item in said if item.enough is False]
    unknown = ", ".join(_TOPICS[item.topic] for item in said if item.enough is None)
    if lacking:
        text = f"Does not suffice for {what}: {'; '.join(lacking)}"
        text += f" (not shown by it: {unknown})" if unknown else ""
    elif unknown:
        text = (
            f"Can't tell for {what}: nothing in this log speaks against it, but it does not show: {unknown}"
        )
    else:
        text = f"Suffices for {what}, as far as this log shows"
    return f"{text}. Enough means within {words.gap(found.allowed_mps)} here."


def suffices(said: Sequence[Finding]) -> bool | None:
    """Whether the logger suffices; None where nothing speaks against it, but not everything is known."""
    if any(item.enough is False for item in said):
        return False
    return None if any(item.enough is None for item in said) else True


def as_json(found: Suits, unit: str, trap_assumed: bool, settings: Settings) -> dict[str, Any]:
    """The findings for `inspect --json`; unknown is null."""
    said, facts = findings(found, unit, settings), found.facts
    return {
        "target_mps": found.target_mps,
        "trap_length_m": found.trap_m,
        "trap_length_assumed": trap_assumed,
        "suffices": suffices(said),
        "text": last_word(found, said, unit),
        "allowed_mps": found.allowed_mps,
        "rate_hz": 1.0 / facts.interval_s,
        "rows_hz": facts.rows_hz,
        "rate_for_one_epoch_hz": found.rate_for_one_hz,
        "epochs_in_trap": found.epochs_inside,
        "peak_missed_most_mps": found.missed_most_mps,
        "peak_missed_mean_mps": found.missed_mean_mps,
        "gaining_mps2": found.slopes.gaining_mps2,
        "losing_mps2": found.slopes.losing_mps2,
        "slopes_from_this_log": found.own_slopes,
        "text_step_mps": facts.step_mps,
        "text_u_mps": found.step_u_mps,
        "highest_reading_mps": facts.top_mps,
        "ceiling_seen_mps": facts.flat_mps,
        "known_limits": [{"speed_mps": item.speed_mps, "text": str(item)} for item in found.limits],
        "lag_s": None if facts.lag is None else facts.lag.lag_s,
        "lag_u_s": None if facts.lag is None else facts.lag.u_s,
        "lag_cost_mps": found.late_mps,
        "lag_cost_at_mps2": found.pull_mps2,
        "passes": facts.passes,
        "lost_epochs_near_fastest": facts.lost_epochs,
        "longest_loss_s": facts.longest_s,
        "findings": [{"topic": item.topic, "enough": item.enough, "text": item.text} for item in said],
    }


_TOPICS: dict[Topic, str] = {
    "rate": "rate", "peak": "peak", "text": "text steps", "ceiling": "ceiling", "lag": "lag", "faults": "faults",
}  # fmt: skip


def _rate(found: Suits, words: Speeds, settings: Settings) -> Finding:
    rate, inside = 1.0 / found.facts.interval_s, found.epochs_inside
    enough = inside >= settings.suits.least_epochs
    written = found.facts.rows_hz
    rows = f" (it writes {written:.3g} rows a second, but most only repeat the last speed)" if written else ""
    text = (
        f"rate: {rate:.3g} Hz{rows} puts {inside:.1f} epochs into {metres(found.trap_m)} at "
        f"{words.speed(found.target_mps)}; one is certain from {found.rate_for_one_hz:.3g} Hz on"
    )
    return Finding("rate", enough, text, f"at {rate:.3g} Hz an epoch in the trap is luck")


def _peak(found: Suits, words: Speeds) -> Finding:
    most = words.gap(found.missed_most_mps)
    whose = (
        "from this log's passes" if found.own_slopes else "common figures, as this log shows none of its own"
    )
    gained, lost = found.slopes.gaining_mps2, found.slopes.losing_mps2
    text = (
        f"peak: a sharp one can be missed by up to {most}, {words.gap(found.missed_mean_mps)} on average "
        f"({gained:.1f} m/s² gained before it, {lost:.1f} lost after it: {whose})"
    )
    return Finding(
        "peak", found.missed_most_mps <= found.allowed_mps, text, f"a peak can be missed by up to {most}"
    )


def _ceiling(found: Suits, words: Speeds, settings: Settings) -> Finding:
    facts = found.facts
    if facts.flat_mps is not None:
        enough = facts.flat_mps > found.target_mps
        room = facts.flat_mps > found.target_mps * (1.0 + settings.suits.near_limit)
        side = (
            "above the target" if room else "only just above the target" if enough else "not above the target"
        )
        short = f"its readings stop at {words.speed(facts.flat_mps)}"
        return Finding("ceiling", enough, f"ceiling: {plain(facts.flat_text, 240)}: {side}", short)
    shown = f"ceiling: none seen up to {words.speed(facts.top_mps)}, the highest reading in this log"
    if not found.limits:
        return Finding("ceiling", True, f"{shown}; no known limit lies between that and the target")
    listed = "; ".join(f"{words.speed(item.speed_mps)} is {item}" for item in found.limits)
    return Finding("ceiling", None, f"{shown}; on the way to the target {listed} ({NO_STATEMENT})")


def _lag(found: Suits, words: Speeds, settings: Settings) -> Finding:
    lag = found.facts.lag
    if lag is None or found.lag_most_s is None or found.late_mps is None or found.late_most_mps is None:
        return Finding("lag", None, "lag: this log can't tell; it takes a pass with positions and speed")
    at = f"at {found.pull_mps2:.1f} m/s²"
    surely = lag.lag_s > max(settings.fusion.lag_least_s, settings.fusion.lag_sds * lag.u_s)
    if not surely:
        text = (
            f"lag: none seen; up to {found.lag_most_s:.2f} s would go unseen, {words.gap(found.late_most_mps)} {at} "
            "(a delay common to speed and positions can't be seen in a lone logger)"
        )
        return Finding("lag", True if found.late_most_mps <= found.allowed_mps else None, text)
    cost = words.gap(found.late_mps)
    text = f"lag: its speed comes {lag.lag_s:.2f} ± {max(1.96 * lag.u_s, 0.01):.2f} s late, which reads {cost} low {at}"
    short = f"its speed comes late and reads {cost} low"
    return Finding("lag", found.late_mps <= found.allowed_mps, text, short)


def _text(found: Suits, words: Speeds) -> Finding:
    step, u = (words.unit.from_si(value) for value in (found.facts.step_mps, found.step_u_mps))
    symbol, share = words.unit.symbol, 100.0 * found.step_u_mps / found.target_mps
    steps = f"steps of {step:.2g} {symbol}"
    text = f"text: {steps}, a standard uncertainty of {u:.1g} {symbol}, {share:.1g} % of the target"
    return Finding("text", found.facts.step_mps / 2.0 <= found.allowed_mps, text, f"its text has {steps}")


def _faults(found: Suits, settings: Settings) -> Finding:
    facts = found.facts
    if not facts.passes:
        return Finding("faults", None, "faults: no pass in this log, so nothing is known of its fastest part")
    told = "; ".join(plain(text, 120) for text in facts.fault_texts[:2])
    more = len(facts.fault_texts) - 2
    told += f"; and {more} more" if more > 0 else ""
    told = f" ({told})" if told else ""
    if not facts.lost_epochs:
        return Finding("faults", True, f"faults: no epoch lost near the fastest part{told}")
    lost = "1 epoch" if facts.lost_epochs == 1 else f"{facts.lost_epochs} epochs"
    of = f", in {facts.lost_passes} of {facts.passes} passes" if facts.passes > 1 else ""
    longest = f"{duration(facts.longest_s)} at the longest: {metres(found.lost_m)} at the target"
    enough = found.lost_m <= (1.0 - settings.verdict.least_coverage) * found.trap_m
    short = f"it lost {lost} where the car was fastest"
    return Finding("faults", enough, f"faults: {lost} lost near the fastest part{of}, {longest}{told}", short)
