"""The sentences of the result: verdicts and what each logger saw, as a driver would say it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from speedlog.errors import plain
from speedlog.reconcile.compare import half_width
from speedlog.reconcile.official import unit_part
from speedlog.reconcile.verdict import Finding, Witness
from speedlog.results import Fault, Interval, Official
from speedlog.settings import VerdictSettings
from speedlog.units import Unit, find_unit


@dataclass(frozen=True)
class Speeds:
    """Speeds as text in one unit."""

    unit: Unit

    @classmethod
    def of(cls, symbol: str) -> Speeds:
        unit = find_unit(symbol, "speed")
        assert unit is not None, symbol
        return cls(unit)

    def speed(self, value_mps: float) -> str:
        return f"{self.unit.from_si(value_mps):.1f} {self.unit.symbol}"

    def within(self, value_mps: float, half_mps: float) -> str:
        return f"{self.unit.from_si(value_mps):.1f} ± {max(self.unit.from_si(half_mps), 0.1):.1f} {self.unit.symbol}"

    def gap(self, value_mps: float) -> str:
        """A difference: never said to be 0.0 where it is not nought."""
        size = abs(self.unit.from_si(value_mps))
        return f"{size:.1f} {self.unit.symbol}" if size >= 0.1 else f"under 0.1 {self.unit.symbol}"


def verdict_text(
    finding: Finding, estimate_mps: float, interval: Interval, official: Official,
    faults: dict[str, Sequence[Fault]], gaining_mps2: float, transit_s: float, unit: str, settings: VerdictSettings,
) -> str:  # fmt: skip
    """One sentence or two for a verdict.

    Args:
        faults: by the name of the logger.
        gaining_mps2: acceleration at the trap: a slow logger lags only where the speed changes.
        transit_s: time through the trap: a logger with a longer step may cut off a peak inside it.
        unit: of the speeds told.
    """
    words = Speeds.of(unit)
    logs = words.within(estimate_mps, half_width(interval))
    figure = words.speed(official.speed_mps)
    error = finding.normalised_error or 0.0
    beside = _beside(error, figure, settings)
    if finding.code == "not_enough_data":
        return f"The logs are too poor to check {figure}: they only narrow it to {logs}."
    if finding.code == "trap_figure_doubtful":
        return _doubtful(finding.witnesses, words, logs, official, estimate_mps)
    if finding.code == "logger_missed_trap":
        return f"{_missed(finding.witnesses, faults)} The estimate across it is {logs}, {beside}."
    best = finding.witnesses[0] if finding.witnesses else None
    if finding.code == "logger_ceiling" and best:
        top = words.speed(best.reading.peak_mps or estimate_mps)
        name = plain(best.name, 60)
        return f"{name} topped out at {top} in the trap and reads low; the estimate is {logs}, {beside}."
    if finding.code in ("logger_low", "logger_high") and best and best.reading.trap_mps is not None:
        off = best.reading.trap_mps - official.speed_mps
        way = "low" if off < 0 else "high"
        why = _slow(off, best.interval_s, gaining_mps2, transit_s)
        return (
            f"{plain(best.name, 60)} reads {words.gap(off)} {way} through the trap "
            f"({words.speed(best.reading.trap_mps)} against {figure}){why}; "
            f"the estimate is {logs}, {beside}."
        )
    if abs(error) > settings.disagree_en:
        return f"The logs say {logs} and the trap {figure}: they disagree, and no single cause stands out."
    just = ", but only just" if abs(error) > settings.only_just_en else ""
    return f"Logs and trap agree{just}: {figure} from the trap, {logs} from the logs."


def unreached_text(official: Official, unit: str) -> str:
    """The verdict where there is no estimate at all."""
    figure = Speeds.of(unit).speed(official.speed_mps)
    return f"The logs can't check {figure}: too little of them is usable from beam to beam."


def _beside(error: float, figure: str, settings: VerdictSettings) -> str:
    if abs(error) > settings.disagree_en:
        return f"which does not fit {figure} from the trap"
    if abs(error) > settings.only_just_en:
        return f"which fits {figure} from the trap only just"
    return f"which fits {figure} from the trap"


def _doubtful(
    witnesses: Sequence[Witness], words: Speeds, logs: str, official: Official, estimate_mps: float
) -> str:
    names = " and ".join(plain(witness.name, 60) for witness in witnesses)
    seen = f"{names} agree with each other" if len(witnesses) > 1 else f"{names} covers the trap"
    slip = likely_slip(official, estimate_mps)
    guess = f" Could it have been {slip}?" if slip else ""
    return f"Check the trap figure {plain(official.text, 40)}: {seen}, and the logs say {logs}.{guess}"


def _missed(witnesses: Sequence[Witness], faults: dict[str, Sequence[Fault]]) -> str:
    causes = []
    for witness in witnesses:
        near = [fault for fault in faults.get(witness.name, ()) if fault.near_trap]
        near.sort(key=lambda fault: -(fault.end_utc - fault.start_utc).total_seconds())
        causes.append(
            f"{plain(witness.name, 60)}: {near[0].detail}"
            if near
            else f"{plain(witness.name, 60)} was too slow"
        )
    lead = "No logger saw enough of the trap" if len(witnesses) > 1 else "The logger missed the trap"
    return f"{lead} ({'; '.join(causes)})." if causes else f"{lead}."


def _slow(off_mps: float, interval_s: float, gaining_mps2: float, transit_s: float) -> str:
    """The likely cause of a low or high reading: too few of them, or a lag while the speed changes."""
    if off_mps < 0 and interval_s > transit_s:
        return f": one reading every {interval_s:.1f} s cuts off what lies between two"
    if off_mps < 0 and gaining_mps2 > 1.0:
        return ", as a slow logger does while the car still gains speed"
    if off_mps > 0 and gaining_mps2 < -1.0:
        return ", as a slow logger does while the car already loses speed"
    return ""


def likely_slip(official: Official, estimate_mps: float) -> str | None:
    """A figure one slip of the keys away that fits the logs: two digits swapped, or one mistyped.

    Swaps come first: they are the commonest slip. Only a figure within 0.4 % of the estimate is
    offered, and only as a question.
    """
    head = "".join(c for c in official.text if c.isdigit() or c in ".,")
    ratio = estimate_mps / official.speed_mps
    is_time = find_unit(unit_part(official.text), "time") is not None
    try:
        number = float(head.replace(",", "."))
    except ValueError:
        return None
    wanted = number / ratio if is_time else number * ratio
    digits = [i for i, c in enumerate(head) if c.isdigit()]
    swaps = []
    for one, two in itertools.pairwise(digits):
        turned = list(head)
        turned[one], turned[two] = turned[two], turned[one]
        swaps.append("".join(turned))
    retyped = [head[:i] + d + head[i + 1 :] for i in digits for d in "0123456789" if d != head[i]]
    for group in (swaps, retyped):
        near = [(abs(float(c.replace(",", ".")) - wanted) / wanted, c) for c in group if c != head]
        if near and min(near)[0] < 0.004:
            return official.text.replace(head, min(near)[1], 1)
    return None


def _only_wrong(faults: Sequence[Fault]) -> bool:
    """Whether readings near the trap were logged, but are wrong: nothing is missing."""
    near = {fault.kind for fault in faults if fault.near_trap}
    return near == {"outlier"}


def logger_text(
    witness: Witness, difference_mps: float | None, compared: str | None, faults: Sequence[Fault], unit: str
) -> str:
    """One plain sentence on what a logger saw of the trap, and the fault that explains it."""
    words, reading = Speeds.of(unit), witness.reading
    what = "Wheel speed, scaled by the GNSS loggers," if not witness.is_gnss else "It"
    if reading.trap_mps is not None:
        share = "the whole trap" if reading.coverage > 0.995 else f"{reading.coverage:.0%} of the trap"
        text = f"{what} saw {share} and read {words.speed(reading.trap_mps)} through it"
    elif compared is None and reading.peak_mps is not None:
        text = f"{what} read {words.speed(reading.peak_mps)} at the most"
    elif reading.peak_mps is not None and _only_wrong(faults):
        text = f"Its speeds in the trap can't be trusted; the highest of its others is {words.speed(reading.peak_mps)}"
    elif reading.peak_mps is not None:
        share = "nothing" if reading.coverage < 0.005 else f"only {reading.coverage:.0%}"
        text = f"{what} saw {share} of the trap; its highest reading is {words.speed(reading.peak_mps)}"
    else:
        share = "nothing" if reading.coverage < 0.005 else f"{reading.coverage:.0%}"
        text = f"{what} logged no speed of its own and saw {share} of the trap"
    if difference_mps is not None and compared is not None:
        against = "the trap figure" if compared.endswith("official") else "the estimate"
        gap, side = words.gap(difference_mps), "below" if difference_mps < 0 else "above"
        text += f", {gap} {side} {against}"
    if reading.flat_topped_in_trap:
        text += "; it topped out there"
    near = [fault for fault in faults if fault.near_trap] or list(faults)
    near.sort(key=lambda fault: -(fault.end_utc - fault.start_utc).total_seconds())
    where = "Near the trap" if near and near[0].near_trap else "Elsewhere"
    return f"{text}. {where}: {near[0].detail}." if near else f"{text}."
