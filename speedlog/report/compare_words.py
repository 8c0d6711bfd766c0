"""Every sentence of passes side by side, in a terminal and on the page. Speeds stand in them as tokens."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from speedlog.logbook.compare import Comparison, Difference, FigureName, FigureRow, Side
from speedlog.logbook.compare_car import CarFigure, CarRow
from speedlog.logbook.figures import Figure, Gain, doubtful
from speedlog.logbook.run_curve import Origin, Reached
from speedlog.report import wording
from speedlog.report.car_words import told
from speedlog.report.numbers import dif, mps
from speedlog.units import Unit

SETUP_TITLE = "What differs in the set-up"
SAME_SETUP = "Nothing in the set-up differs, as far as it is written down."
NO_SETUP = "No set-up was noted of these passes."
CONDITIONS_TITLE = "What else was not the same"
LAUNCH_TITLE = "Launch"
CURVES_TITLE = "Speed over distance"
MARKS_TITLE = "In figures, every 50 m"
NOT_SAID = "not stated"
NOT_REACHED = "–"
FIGURES: Mapping[FigureName, str] = {
    "trap": "Trap figure",
    "estimate": "Estimate through the trap",
    "peak": "Fastest moment",
}
_BY: Mapping[FigureName, str] = {
    "trap": "the trap figures",
    "estimate": "the loggers' estimates",
    "peak": "the fastest moments",
}
CAR_TITLE = "Heat, pack and tyres"
CAR: Mapping[CarFigure, tuple[str, float, str, int]] = {  # name, factor, unit, digits
    "heat": ("Current heat ∫I²dt", 1e-3, "kA²s", 1),
    "rms_current": ("Current, root mean square", 1.0, "A", 0),
    "motor_highest": ("Motor at its hottest", 1.0, "°C", 0),
    "motor_rise": ("Motor's rise", 1.0, "°C", 0),
    "sag": ("Pack sag at the highest current", 1.0, "V", 1),
    "lowest_cell": ("Lowest cell, by even share", 1.0, "V", 2),
    "energy": ("Energy", 1.0, "Wh", 1),
    "growth": ("Tyre growth", 100.0, "%", 1),
    "slip": ("Slip", 100.0, "%", 1),
}
FROM: Mapping[Origin, str] = {
    "launch": "metres from the launch",
    "trap": "metres from the first beam of the trap",
    "peak": "metres from the fastest moment",
}
ORIGIN: Mapping[Origin, str] = {
    "launch": "Distances and times are counted from the launch, where the car passes {mps:3}.",
    "trap": "One of the logs begins after the launch, so distances and times are counted from the trap's first beam.",
    "peak": "Neither launch nor trap is in all of the logs, so all is counted from the fastest moment.",
}
WEATHER = {
    "wind": "Wind",
    "wind_height": "Wind measured at",
    "temperature": "Air",
    "humidity": "Humidity",
    "pressure": "Pressure at the place",
    "qnh": "QNH",
    "elevation": "Elevation",
}
HOW_SURE = (
    "± gives 95 % intervals. A gain is beyond the noise where it is more than the uncertainties of both come to, "
    "√(U₁² + U₂²). That one pass was faster does not show what made it so: wind and heat change too."
)


def name(side: Side) -> str:
    """ "Pass 17 (2026-07-12, no. 3)"."""
    when = ", ".join(part for part in (side.row.date, f"no. {side.row.number}") if part)
    return f"Pass {side.row.id} ({when})"


def where(side: Side) -> str:
    """Session, car, way, and the wind along it."""
    row = side.row
    parts = [row.session, row.car, "" if row.venue in row.session else row.venue]
    if side.found is not None:
        parts.append(wording.direction(side.found))
        if side.found.wind is not None:
            head = side.found.wind.head_mps
            parts.append(f"{'headwind' if head >= 0 else 'tailwind'} of {mps(abs(head))} (as read)")
    return ", ".join(part for part in parts if part)


def key(item: Difference) -> str:
    """The name of what differs."""
    known = {**wording.SETUP, **wording.MEASURED, **WEATHER}
    return known.get(item.key, item.key.replace("_", " ").capitalize())


def value(text: str) -> str:
    return text or NOT_SAID


def speed(figure: Figure | None) -> str:
    """ "187.5 mph ± 0.4 mph"."""
    if figure is None:
        return "–"
    return mps(figure.mps) + ("" if figure.half_mps is None else f" ±\u00a0{mps(figure.half_mps)}")


def gained(gain: Gain | None) -> str:
    """ "+1.2 mph ± 0.6 mph", and where it is no more than noise, that."""
    if gain is None:
        return ""
    if gain.u95_mps is None:
        return dif(gain.mps)
    return f"{dif(gain.mps)} ±\u00a0{mps(gain.u95_mps)}{'' if gain.beyond else ', within the noise'}"


def car_name(row: CarRow) -> str:
    return CAR[row.name][0]


def car_value(row: CarRow, place: int) -> str:
    """ "61 ± 2 °C"."""
    found, (_, factor, unit, digits) = row.by[place], CAR[row.name]
    return NOT_REACHED if found is None else told(found.scaled(factor), digits, f" {unit}")


def car_more(row: CarRow, place: int) -> str:
    """ "+5 ± 3 °C", and where it is no more than noise, that; heat as a share too, for it is a strange unit."""
    found, (_, factor, unit, digits) = row.more[place], CAR[row.name]
    if found is None:
        return ""
    said = told(found.scaled(factor), digits, f" {unit}")
    if said.startswith("-") and not any(digit in "123456789" for digit in said.split("\u00a0")[0]):
        said = said[1:]  # no "-0"
    sign = "" if said.startswith("-") else "+"
    first = row.by[0]
    share = f" ({100 * found.value / first.value:+.0f}\u00a0%)" if row.name == "heat" and first else ""
    return f"{sign}{said}{share}{'' if found.low > 0 or found.high < 0 else ', within the noise'}"


def mark(speed_mps: float, unit: Unit) -> str:
    """A round speed of a launch, "50 mph", in the unit in which it is round."""
    return mps(speed_mps, (f"{unit.from_si(speed_mps):.0f}", unit.symbol))


def reached_time(item: Reached | None) -> str:
    if item is None:
        return NOT_REACHED
    return f"{item.time_s:.2f} s" + (
        "" if item.time_half_s is None else f" ±\u00a0{max(item.time_half_s, 0.01):.2f}\u00a0s"
    )


def reached_distance(item: Reached | None) -> str:
    if item is None:
        return NOT_REACHED
    half = "" if item.distance_half_m is None else f" ±\u00a0{max(item.distance_half_m, 1.0):.0f}\u00a0m"
    return f"{item.distance_m:.0f} m{half}"


def cell(found: Comparison, row: FigureRow, place: int) -> str:
    """One pass's figure, and whether it is in doubt."""
    said = speed(row.figures[place])
    return f"{said}, in doubt" if row.name == "trap" and doubtful(found.sides[place].row) else said


def headline(found: Comparison) -> str:
    """The outcome in one sentence, by the best figures that both passes have; one in doubt decides nothing."""
    rows = {row.name: row for row in found.figures}
    first = found.sides[0]
    said = []
    for place, side in enumerate(found.sides[1:], start=1):
        doubt = rows["trap"].gains[place] is not None and (doubtful(side.row) or doubtful(first.row))
        names: tuple[FigureName, ...] = ("estimate", "peak") if doubt else ("trap", "estimate", "peak")
        name = next((name for name in names if rows[name].gains[place] is not None), None)
        gain = None if name is None else rows[name].gains[place]
        if name is None or gain is None:
            continue
        why = ", as a trap figure is in doubt" if doubt else ""
        said.append(f"pass {side.row.id} was {_faster(gain)} than pass {first.row.id} by {_BY[name]}{why}")
    text = "; ".join(said) or "there are no figures that both passes have"
    return f"{text[0].upper()}{text[1:]}."


def _faster(gain: Gain) -> str:
    sure = " (within the noise)" if gain.beyond is False else ""
    return f"{mps(abs(gain.mps))}{sure} {'faster' if gain.mps >= 0 else 'slower'}"


def changes(found: Comparison) -> str:
    """The set-up's differences in one sentence, for a caption."""
    if not found.setup:
        return SAME_SETUP if any(side.row.setup for side in found.sides) else NO_SETUP
    return "; ".join(f"{key(item).lower()} {_to(item.values)}" for item in found.setup)


def _to(values: Sequence[str]) -> str:
    return " → ".join(value(text) for text in values)


def chart(found: Comparison) -> str:
    """What the chart of the curves shows."""
    if found.origin is None:
        return ""
    first = found.sides[0].row.id
    text = f"Speed against {FROM[found.origin]}. "
    if len(found.sides) == 2:
        other = found.sides[1].row.id
        text += f"Shaded between them: plain where pass {other} is the faster, hatched where pass {first} is."
    else:
        text += f"The shading is between each pass and pass {first}."
    return f"{text} {ORIGIN[found.origin]}"
