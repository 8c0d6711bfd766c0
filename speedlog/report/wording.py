"""Every sentence and label that a reader of the page meets, in one place.

Speeds stand in the sentences as tokens (`speedlog.report.numbers`). The verdict's and a logger's own
sentence are made by `speedlog.reconcile` and only passed through.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from speedlog.course import geometry
from speedlog.course.coursefile import Course
from speedlog.report.numbers import dif, mps, num
from speedlog.report.verdict_words import HELPED, VERDICTS
from speedlog.results import Fault, FaultKind, Interval, Logger, Official, Pass, Trap, VerdictCode
from speedlog.session import Change, SessionPass, SetupValue, Weather, parse_trap
from speedlog.settings import ReportSettings
from speedlog.units import Quantity

FAULTS: Mapping[FaultKind, str] = {
    "gap": "no epochs",
    "no_fix": "no fix",
    "poor_fix": "weak fix",
    "frozen": "frozen values",
    "ceiling": "topped out",
    "outlier": "stray reading",
    "clock_jump": "clock step",
    "dead_reckoned": "dead reckoned",
}
SETUP: Mapping[str, str] = {
    "tyre": "Tyres",
    "wheel_diameter": "Wheel diameter",
    "gear_ratio": "Gear ratio",
    "pole_pairs": "Pole pairs",
    "cells": "Cells",
    "current_limit": "Current limit",
    "ramp": "Throttle ramp",
    "timing": "Motor timing",
    "mass": "Mass",
    "motor": "Motor",
    "controller": "Speed controller",
    "pack": "Pack",
    "body": "Body",
    "motor_kv": "Motor Kv",
    "current_of": "Logged current is",
    "pack_capacity": "Pack capacity",
    "pack_limit_c_rate": "Pack's C limit",
    "lowest_cell": "Lowest cell allowed",
    "motor_limit": "Motor limit",
    "controller_limit": "Controller limit",
    "tyre_limit": "Tyre limit",
    "tyre_limit_rpm": "Tyre limit, turns",
    "wheels_driven": "Driven wheels",
    "wheelbase": "Wheelbase",
    "other": "Other",
}
MEASURED: Mapping[str, str] = {
    "motor_temp_before": "Motor before",
    "motor_temp_after": "Motor after",
    "pack_voltage_rest": "Pack at rest",
    "charge_put_back": "Charge put back",
    "tyre_diameter_before": "Tyre before",
    "tyre_diameter_after": "Tyre after",
}
SAFETY = (
    "These cars can kill. Run only on a closed course, and keep to the event's rules and the stewards' word: "
    "they come before anything on this page, and so do local codes.",
    "Keep within the makers' limits for tyres (rpm), pack, motor and speed controller. Look over tyres and "
    "wheels after each pass, and let nobody stand in the plane of the wheels while they spin up.",
    "Charge lithium packs with the right charger and cell count, never unattended, on a surface that does "
    "not burn; a swollen, hit or over-discharged pack is not for use.",
    "The page tells what the logs and the trap say of passes already made. It does not say that the next "
    "one, or any part of the car, is fit for it.",
)
HOW_TO_READ = (
    "± and “to” give 95 % intervals: honest ones hold the true speed 95 times in 100.",
    "The estimate is what all logs together say, made without knowing a trap figure; it is no official speed.",
    "A trap figure's interval comes from the timer's step, the trap's length and the digits quoted.",
)
MEAN = "mean through the trap"
FASTEST = "fastest moment"
NO_INTERVAL = "a reading, without an interval of its own"
NO_FIGURE = "No trap figure was given, so the estimate stands alone."
NO_COURSE = "No course was given: the pass has its own fitted line, and only its fastest moment can be told."
NO_TRAP = "The logs do not show this pass going through the trap."
NO_CHART = "There are no samples of this pass to draw."
NO_LIBRARY = "The charts need the file {name} beside this page; every verdict and number stands in the text."
CARRIED = "What a pass does not say again is carried over from the pass before."


def verdict(found: Pass) -> str:
    """The first sentence of a card."""
    if found.verdict is not None:
        return found.verdict.text
    if found.trap is None:
        return NO_COURSE
    return NO_FIGURE if found.trap.estimate_mps is not None else NO_TRAP


def verdict_words(found: Pass) -> str:
    """The verdict in a few words, for the day's table."""
    if found.verdict is not None and found.verdict.code == "agree" and not found.verdict.independent:
        return HELPED
    if found.verdict is not None:
        return VERDICTS[found.verdict.code]
    return "no course" if found.trap is None else "no trap figure"


def direction(found: Pass) -> str:
    way = {True: "outbound", False: "return", None: "own line"}[found.outbound]
    return f"{way}, heading {found.heading_deg % 360:.0f}°"


def half_width(interval: Interval | None) -> str:
    """ "± 0.9 mph", or that it is unknown."""
    return "interval unknown" if interval is None else f"±\u00a0{mps((interval[1] - interval[0]) / 2)}"


def span(interval: Interval | None) -> str:
    """ "186.8 to 188.6 mph"."""
    return "–" if interval is None else f"{num(interval[0])} to {mps(interval[1])}"


def figure_of(official: Official) -> Quantity:
    """The trap figure as it was given."""
    return parse_trap(official.text)


def given(value: Quantity | None) -> tuple[str, str] | None:
    """A trap figure's own number and unit, so that its digits stay as the timekeeper read them out."""
    if value is None or value.unit.kind != "speed":
        return None
    number = value.text.replace(",", ".").split()[0].removesuffix(value.unit.symbol)
    return (number, value.unit.symbol) if number.replace(".", "", 1).isdecimal() else None


def difference(logger: Logger) -> str:
    """ "−1.0 mph (−0.5 %), peak against official"."""
    if logger.difference_mps is None:
        return "–"
    percent = "" if logger.difference_percent is None else f" ({_signed(logger.difference_percent)}\u00a0%)"
    return f"{dif(logger.difference_mps)}{percent}" + (f", {logger.compared}" if logger.compared else "")


def estimate_difference(trap: Trap) -> str:
    """How far the estimate is from the trap figure."""
    if trap.official is None or trap.estimate_mps is None:
        return ""
    off = trap.estimate_mps - trap.official.speed_mps
    return f"{dif(off)} ({_signed(100 * off / trap.official.speed_mps)}\u00a0%), against the trap figure"


def estimate_coverage(trap: Trap) -> str:
    return f"GNSS covers {100 * trap.coverage:.0f}\u00a0% of the trap"


def how_to_read(found: Sequence[Pass]) -> tuple[str, ...]:
    """What the figures of a page mean: as much of it as the page has figures for."""
    given = any(item.trap and item.trap.official for item in found)
    return HOW_TO_READ if given else HOW_TO_READ[:2]


def place(course: Course) -> tuple[str, ...]:
    """Where the line and the trap lie on the earth: only for a page that was asked to tell."""
    line = course.line
    said = [
        f"The line starts at {line.lat_deg:.6f}, {line.lon_deg:.6f} (WGS 84, degrees), heading "
        f"{line.heading_deg:.1f}° true."
    ]
    for name, along in (("entry", course.entry_m), ("exit", course.exit_m)):
        lat, lon = geometry.place(line, along)
        said.append(f"The trap's {name} beam: {lat:.6f}, {lon:.6f}, {along:g}\u00a0m along.")
    return tuple(said)


def coverage(logger: Logger) -> str:
    """How much of the trap a logger saw."""
    if logger.kind == "wheel":
        return f"wheel speed over {100 * logger.coverage:.0f}\u00a0% of the trap"
    if logger.coverage == 0:
        return "saw nothing of the trap"
    return f"saw {100 * logger.coverage:.0f}\u00a0% of the trap"


def reading_name(logger: Logger) -> str:
    return "highest reading" if logger.trap_reading_mps is None else "mean over the trap"


def pulling(found: Pass, settings: ReportSettings) -> str | None:
    """Was there more in it? By the acceleration at the trap's exit."""
    rate = found.trap_accel_mps2
    if rate is None:
        return None
    if abs(rate) < settings.level_mps2:
        return "At the trap's exit the speed had levelled off."
    if rate > 0:
        return f"It was still pulling: at the trap's exit it gained {mps(rate)} each second."
    return f"It was already slowing: at the trap's exit it lost {mps(-rate)} each second."


def peak(found: Pass) -> str | None:
    if found.peak is None:
        return None
    low, high = found.peak.interval95_mps
    where = f"{found.peak.along_m:.0f} m along" + _of_trap(found, found.peak.along_m)
    return f"Fastest moment: {mps(found.peak.estimate_mps)} ({num(low)} to {mps(high)}), {where}."


def _of_trap(found: Pass, along_m: float) -> str:
    if found.trap is None:
        return ""
    sign = -1.0 if found.outbound is False else 1.0
    entry, exit_ = (found.trap.entry_m, found.trap.exit_m)[:: int(sign)]
    if sign * (along_m - entry) < 0:
        return f", {abs(along_m - entry):.0f} m before the trap"
    if sign * (along_m - exit_) > 0:
        return f", {abs(along_m - exit_):.0f} m past the trap"
    return ", inside the trap"


def straightness(found: Pass) -> str | None:
    """How straight it ran."""
    straight = found.straightness
    if straight is None or not np.isfinite(straight.greatest_across_m):
        return None
    side = "right" if straight.greatest_across_m > 0 else "left"
    line = "the line" if found.outbound is not None else "its own fitted line"
    text = (
        f"It was at most {abs(straight.greatest_across_m):.1f} m to the {side} of {line}, "
        f"{straight.greatest_at_along_m:.0f} m along"
    )
    if straight.trap_drift_m is None or not np.isfinite(straight.trap_drift_m):
        return text + "."
    drift = straight.trap_drift_m
    if abs(drift) < 0.05:
        return text + ", and held its course through the trap."
    return (
        text + f", and drifted {abs(drift):.1f} m to the {'right' if drift > 0 else 'left'} through the trap."
    )


def fault_where(fault: Fault) -> str:
    """Where a fault happened, along the line."""
    if fault.start_along_m is None or fault.end_along_m is None:
        return "its place on the line is unknown"
    if abs(fault.start_along_m - fault.end_along_m) < 1:
        return f"at {fault.start_along_m:.0f} m"
    return f"{fault.start_along_m:.0f} m to {fault.end_along_m:.0f} m"


def chart_speed(found: Pass) -> str:
    """What the chart of speed against distance shows."""
    parts = ["Speed against distance along the line."]
    if (said := peak(found)) is not None:
        parts.append(said)
    faults = [fault for logger in found.loggers for fault in logger.faults]
    placed = [fault for fault in faults if fault.start_along_m is not None and fault.end_along_m is not None]
    if not faults:
        parts.append("No logger shows a fault.")
    if placed:
        near = sum(fault.near_trap for fault in placed) or "none"
        parts.append(f"{counted(len(placed), 'fault')} marked below the curve, {near} near the trap.")
    if len(faults) > len(placed):
        parts.append(f"{counted(len(faults) - len(placed), 'fault')} without a known place on the line.")
    return " ".join(parts)


def chart_trap(found: Pass, entry_mps: float | None, exit_mps: float | None) -> str:
    """What the zoom on the trap shows."""
    parts = []
    if entry_mps is not None and exit_mps is not None:
        parts.append(
            f"By the estimate it entered the trap at {mps(entry_mps)} and left it at {mps(exit_mps)}."
        )
    trap = found.trap
    if trap is not None and trap.official is not None and trap.interval95_mps is not None:
        low, high = trap.official.interval95_mps
        if high < trap.interval95_mps[0]:
            parts.append("The trap figure, with its uncertainty, lies below the estimate's interval.")
        elif low > trap.interval95_mps[1]:
            parts.append("The trap figure, with its uncertainty, lies above the estimate's interval.")
        else:
            parts.append("The trap figure and the estimate overlap within their uncertainties.")
    return " ".join(parts) or "The stretch round the trap."


def changes(entry: SessionPass, first: bool) -> str:
    """What was changed on the car since the pass before."""
    if first:
        return "First pass of the session." if entry.setup else "No set-up was noted."
    if not entry.changes:
        return "Nothing on the car was changed since the pass before, as far as the session says."
    return f"Changed since the pass before: {'; '.join(_change(item) for item in entry.changes)}."


def change_brief(entry: SessionPass) -> str:
    """The change in as few words as a small chart has room for."""
    if not entry.changes:
        return ""
    first = entry.changes[0]
    said = f"{SETUP[first.key].lower()} {setup_value(first.after)}"
    return said if len(entry.changes) == 1 else f"{said}, and {len(entry.changes) - 1} more"


def _change(item: Change) -> str:
    name = SETUP[item.key].lower()
    if item.before is None:
        return f"{name} {setup_value(item.after)} (not stated before)"
    return f"{name} from {setup_value(item.before)} to {setup_value(item.after)}"


def setup_value(value: SetupValue) -> str:
    if isinstance(value, Quantity):
        return value.text
    return f"{value:g}" if isinstance(value, float) else str(value)


def weather(found: Weather) -> list[str]:
    """The weather, an item a phrase."""
    names = {
        "wind_height": "wind measured at",
        "temperature": "air",
        "humidity": "humidity",
        "pressure": "pressure at the place",
        "qnh": "QNH",
        "elevation": "elevation",
    }
    said = [f"wind {found.wind.text}"] if found.wind else []
    return said + [f"{text} {getattr(found, key).text}" for key, text in names.items() if getattr(found, key)]


def counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def day_line(codes: Sequence[VerdictCode | None], failed: int) -> str:
    """The day in one sentence, from the verdict codes of its passes (None: no verdict)."""
    parts = [counted(len(codes) + failed, "pass").replace("passs", "passes")]
    judged = [code for code in codes if code is not None]
    if judged:
        agree = sum(code == "agree" for code in judged)
        verb = "agrees" if agree == 1 else "agree"
        whole = agree == len(judged) > 1
        parts.append(f"{'all' if whole else agree or 'none'} {verb} with the trap")
    doubtful = sum(code == "trap_figure_doubtful" for code in judged)
    if doubtful:
        parts.append(f"{counted(doubtful, 'trap figure')} in doubt")
    if failed:
        parts.append(f"{failed} without a review")
    return ", ".join(parts) + "."


def _signed(value: float) -> str:
    shown = round(value, 1)
    sign = "−" if shown < 0 else "+" if shown > 0 else ""
    return f"{sign}{abs(shown):.1f}"
