"""Every sentence about a season: of `history` in a terminal and on the season page.

Speeds stand in them as tokens (`speedlog.report.numbers`). Light: no numpy, no pandas.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from speedlog.report.numbers import dif, mps
from speedlog.report.verdict_words import HELPED, VERDICTS

if TYPE_CHECKING:
    from speedlog.logbook.figures import Figure, Gain, LadderName
    from speedlog.logbook.history import Chosen
    from speedlog.logbook.ladders import Step
    from speedlog.logbook.rows import PassRow
    from speedlog.logbook.season_agreement import Agreement, Term, Value
    from speedlog.logbook.targets import Progress, Target
    from speedlog.logbook.two_way import Rule, TwoWayStep

LADDERS = {"trap": "Trap PB", "gnss": "GNSS PB", "two_way": "Two-way mean"}
LADDER_IS = {
    "trap": "By the timekeeper's figures.",
    "gnss": "By the fastest moment that the loggers together tell, made without the trap figures.",
}
NOISE_IS = "Noise is what the uncertainties of both figures come to: √(U₁² + U₂²), 95 %."
NO_TARGET = 'No target is set. Set one: speedlog logbook target "190 mph"'
SHORT = "above the best, but by less than the rule asks for"
DOUBTED_PAIR = "would be the best; in doubt, as the logs speak against one of the figures"
AGREE_TITLE = "Do loggers and trap agree over the season?"
CAUSES = {
    "scale": "a scale (the trap's length as taped, or the loggers' own speeds)",
    "lag": "a lag (a logger or a timer that comes late while the car gains speed)",
    "place": "a misplaced trap (where it lies on the line, or the loggers' positions)",
}
BLAMES_NOBODY = "Either may be off; ask the timekeeper."


def verdict(row: PassRow) -> str:
    """The verdict of a pass in a few words."""
    found = row.result
    if found is None:
        return "not reviewed"
    if found.error is not None:
        return "no log" if found.error.startswith("No log") else "not reviewed"
    if found.verdict is None:
        return "no trap figure" if found.trap_length_m is not None or row.venue else "no course"
    if found.verdict == "agree" and found.independent is False:
        return HELPED
    return VERDICTS.get(found.verdict, found.verdict)


def passes(count: int) -> str:
    return f"{count} pass{'' if count == 1 else 'es'}"


def sessions(count: int) -> str:
    return f"{count} session{'' if count == 1 else 's'}"


def reach(figure: Figure) -> str:
    """ "± 0.4 mph", or that it is unknown."""
    return "uncertainty unknown" if figure.half_mps is None else f"±\u00a0{mps(figure.half_mps)}"


def gained(gain: Gain | None) -> str:
    """What a new best is above the last, and whether that is more than noise."""
    if gain is None:
        return "the first"
    if gain.u95_mps is None:
        return f"{dif(gain.mps)}; whether that is more than noise can't be told"
    return f"{dif(gain.mps)}, {'beyond' if gain.beyond else 'within'} the noise of {mps(gain.u95_mps)}"


def doubted(step: Step, ladder: LadderName) -> str:
    """A figure that would be a best, and why it is none."""
    what = "would be the first" if step.gain is None else f"would be {dif(step.gain.mps)}"
    if ladder == "gnss":
        return f"{what}, but the logs tell it too vaguely"
    return f"{what}, but the figure is in doubt: the logs speak against it"


def no_rule(item: Rule) -> str:
    """What stands in for a rule of the user's own."""
    return (
        f"No rule of your own is set, so the mean of the {item.mean} within {item.window_s / 60:g} min stands here. "
        'Set yours: speedlog logbook rule "NAME" --window "60 min" --mean times'
    )


def rule(item: Rule) -> str:
    """A rule in words."""
    gain = f", a new best must beat the last by {100 * item.least_gain:g} %" if item.least_gain else ""
    name = f"“{item.name}”: " if item.name else ""
    return f"{name}opposite passes within {item.window_s / 60:g} min, mean of the {item.mean}{gain}"


def two_way(step: TwoWayStep) -> str:
    """The passes of a pair and both means."""
    return f"passes {step.pair.first.id} and {step.pair.second.id}, {two_way_means(step)}"


def two_way_means(step: TwoWayStep) -> str:
    """Both means of a pair: the one that counts stands before this."""
    pair = step.pair
    apart = f"{pair.apart_s / 60:.0f} min apart"
    return f"{apart}; {mps(pair.times.mps)} by the times, {mps(pair.speeds.mps)} by the speeds"


def target(item: Target) -> str:
    """What a target is for."""
    where = [text for text in (item.car, f"at {item.venue}" if item.venue else None) if text]
    ladder = LADDERS[item.ladder]
    return f"{item.speed_text}, {ladder}" + (f" ({', '.join(where)})" if where else "")


def to_go(item: Progress) -> str:
    """How far it is to a target, in the target's own unit."""
    if item.best is None:
        return "no figure yet"
    passes_ = " and ".join(str(number) for number in item.passes)
    by = f" (pass{'' if len(item.passes) == 1 else 'es'} {passes_})" if passes_ else ""
    noise = ", within the uncertainty of the best" if item.within_noise else ""
    if item.reached:
        return f"reached, and {item.to_go_text} beyond{noise}{by}"
    return f"to go: {item.to_go_text}{noise}{by}"


def share(value: Value) -> str:
    """ "+0.31 % ± 0.12 %"."""
    return f"{_signed(100 * value.value, 2)} % ± {100 * (value.high - value.low) / 2:.2f} %"


def agreement(item: Agreement) -> list[str]:
    """What a season says of loggers and trap, in sentences that blame nobody."""
    counted = f"{passes(item.passes)} in {sessions(item.sessions)} through the {item.trap_m:g} m trap"
    where = f"{item.venue}: " if item.venue else ""
    if not item.enough or item.mean is None:
        return [
            f"{where}{counted} are too few to tell; it takes some more, on several days.",
            *_left_out(item),
        ]
    said = [f"{where}{counted}: on average the trap figures are {_above(item.mean)} the loggers' estimates."]
    if not item.terms:
        said.append("No difference is beyond chance.")
    for term in item.terms:
        said.append(_term(term, item.speed_mps))
    if item.terms:
        said.append(BLAMES_NOBODY)
    ways = [f"{'outbound' if way.outbound else 'return'} {share(way.mean)} ({passes(way.passes)})"
            for way in item.directions if way.mean is not None]  # fmt: skip
    if len(ways) > 1:
        said.append(f"By direction: {', '.join(ways)}.")
    return [*said, *_left_out(item)]


def _term(term: Term, speed_mps: float) -> str:
    value = term.value
    half = (value.high - value.low) / 2
    if term.name == "scale":
        size = f"{share(value)}, {mps(abs(value.value) * speed_mps)} at {mps(speed_mps)}"
        text = f"Beyond chance: loggers and trap differ by {size}"
    elif term.name == "lag":
        text = (
            "Beyond chance: loggers and trap differ with the acceleration, as if by "
            f"{_signed(value.value, 3)} s ± {half:.3f} s"
        )
    else:
        text = (
            "Beyond chance: loggers and trap differ, and the other way about on the return, as if the trap lay "
            f"{abs(value.value):.1f} m ± {half:.1f} m {'further along' if value.value > 0 else 'nearer to the start'}"
        )
    others = " and ".join(CAUSES[name] for name in term.could_be)
    look = f"It looks like {CAUSES[term.name]}" + (f"; {others} would look much the same" if others else "")
    return f"{text}. {look}."


def _above(value: Value) -> str:
    """ "0.31 % ± 0.12 % above"."""
    half = 100 * (value.high - value.low) / 2
    return f"{abs(100 * value.value):.2f} % ± {half:.2f} % {'above' if value.value >= 0 else 'below'}"


def _left_out(item: Agreement) -> list[str]:
    if not item.left_out:
        return []
    said = [f"{number} ({reason})" for reason, number in item.left_out.items()]
    return [f"Left out: {', '.join(said)}."]


def chosen(item: Chosen) -> str:
    """Which passes are shown, where not all are."""
    parts = [
        item.car or "",
        f"at {item.venue}" if item.venue else "",
        f"since {item.since}" if item.since else "",
    ]
    parts += [f"{key} {value}" for key, value in item.setup.items()]
    return ", ".join(part for part in parts if part)


def season_line(rows: Sequence[PassRow]) -> str:
    """A season in one line."""
    days = sorted({row.date for row in rows if row.date})
    count = len({row.session_id for row in rows})
    when = "" if not days else f", {days[0]}" if len(days) == 1 else f", {days[0]} to {days[-1]}"
    return f"{passes(len(rows))} in {sessions(count)}{when}"


def _signed(value: float, digits: int) -> str:
    shown = round(value, digits)
    sign = "−" if shown < 0 else "+" if shown > 0 else ""
    return f"{sign}{abs(shown):.{digits}f}"
