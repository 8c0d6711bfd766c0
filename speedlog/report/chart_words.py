"""What the day's small charts and the further charts of a pass show, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from speedlog.report import wording
from speedlog.report.curves import letter
from speedlog.results import Array, Pass
from speedlog.results_car import Limit, Stretch


def day_chart(fastest: str, step_m: float, trap: bool) -> str:
    """How the day's small charts are read."""
    told = "Speed along the line, left to right whichever way the car ran, all on one scale"
    told += f"; a tick along the foot is {step_m:g}\u00a0m"
    if trap:
        told += "; the stripe is the trap, the bar across it the trap figure"
    return (
        f"{told}. Thin: {fastest.lower()}, the fastest. Blocks along the foot: faults in the logs, "
        "where they happened."
    )


def panel(found: Pass) -> str:
    """What a small chart shows: the fastest moment, and what went wrong near the trap."""
    near = [
        (place, fault)
        for place, logger in enumerate(found.loggers)
        for fault in logger.faults
        if fault.near_trap
    ]
    far = sum(len(logger.faults) for logger in found.loggers) - len(near)
    said = [wording.peak(found) or "Speed along the line."]
    said += [
        f"{letter(place)}: {wording.FAULTS[fault.kind]} near the trap, {wording.fault_where(fault)}."
        for place, fault in near
    ]
    if far:
        said.append(f"{wording.counted(far, 'fault')} away from the trap.")
    elif not near:
        said.append("No logger shows a fault.")
    return " ".join(said)


def more_charts(titles: Sequence[str]) -> str:
    """The heading over the further charts: their own titles in one line."""
    names = [title[:1].lower() + title[1:] for title in titles]
    joined = ", ".join(names[:-1]) + " and " + names[-1] if len(names) > 1 else names[0]
    return joined[:1].upper() + joined[1:]


def chart_channel(name: str, unit: str, values: Mapping[str, Array], digits: int) -> str:
    """The range of one channel, logger by logger: "Satellites used: A 12 to 19, B 9 to 14."."""
    said = []
    for source, found in values.items():
        low, high = float(np.nanmin(found)), float(np.nanmax(found))
        ends = dict.fromkeys((f"{low:.{digits}f}", f"{high:.{digits}f}"))  # one word where they are the same
        said.append(f"{source} {' to '.join(ends)}{unit}")
    return f"{name}: {', '.join(said)}."


def chart_path(found: Pass, across_m: float, along_m: float) -> str:
    said = wording.straightness(found) or "The path across the line."
    return f"{said} Not to scale: a grid square is {across_m:g}\u00a0m across and {along_m:g}\u00a0m along."


# What limited the car, as it is told where one points at it.
LIMITS: Mapping[Limit, str] = {
    "ramp": "limited by the ramp: current still rising",
    "traction": "limited by traction: the tyres held no more",
    "current limit": "limited by the controller's current limit",
    "voltage": "limited by voltage: the motor turns as fast as the pack drives it",
    "throttle": "limited by the throttle: not fully open",
    "unknown": "what limited the car is not told",
}
NOT_TOLD = "can't be told"
_NAMES: Mapping[Limit, str] = {
    "ramp": "the ramp",
    "current limit": "the current limit",
    "voltage": "voltage (gearing)",
    "throttle": "the throttle",
    "unknown": "what can't be told",
}
_MOST_TOLD = 6  # stretches in one sentence


def limits(stretches: Sequence[Stretch], why_not: str = "") -> str:
    """What limited the car in the run-up, in the order of time; nothing without stretches, or why it can't be told."""
    if not stretches:
        return ""
    if all(item.limit == "unknown" for item in stretches):
        return f"What limited the car in the run-up can't be told{': ' * bool(why_not)}{why_not.partition(':')[0]}."
    if len(stretches) <= _MOST_TOLD:
        told = [
            f"{_NAMES.get(item.limit, item.limit)} for {item.end_s - item.start_s:.1f}\u00a0s, "
            f"to {item.end_along_m:.0f}\u00a0m"
            for item in stretches
        ]
        return f"What limited the car in the run-up, by the fit to its log: {'; '.join(told)}."
    seconds: dict[Limit, list[float]] = {}
    for item in stretches:
        seconds.setdefault(item.limit, []).append(item.end_s - item.start_s)
    told = [
        f"{_NAMES.get(limit, limit)} for {sum(each):.1f}\u00a0s"
        + (f" in {len(each)} stretches" if len(each) > 1 else "")
        for limit, each in sorted(seconds.items(), key=lambda pair: -sum(pair[1]))
    ]
    return f"What limited the car in the run-up, by the fit to its log: {'; '.join(told)}."
