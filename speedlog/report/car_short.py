"""What a pass cost the car and what was left in it, a line a subject: for a terminal, in the session's own words."""

from __future__ import annotations

from speedlog.report.car_words import told, told_speed
from speedlog.results_car import CarPass, Heat, Left, PackUse, Stopping, TyreUse
from speedlog.results_quantity import Quantity95

END_NOT_GIVEN = "runway end not given"
CAUTION = "What is left is an estimate: the event's rules, local codes and the makers' limits come first."


def car_lines(car: CarPass) -> tuple[str, ...]:
    """Lines of text; speeds in them as tokens. Nothing that the logs don't tell stands there."""
    lines = [
        ("heat", [*_heat(car.heat), _known("motor with heat soak", car.thermal.peak_c, 0, " °C")]),
        ("pack", _pack(car.pack)),
        ("tyres", _tyre(car.tyre)),
        ("left in it", _left(car.left)),
        ("to stop", _stopping(car.stopping)),
    ]
    made = [
        f"{name}: {', '.join(told)}" for name, parts in lines if (told := [part for part in parts if part])
    ]
    made += [f"caution: {item.text}" for item in car.cautions]
    if car.left is not None and any(_left(car.left)):
        made.append(CAUTION)
    return tuple(made)


def _known(name: str, found: Quantity95 | None, digits: int, unit: str) -> str:
    return "" if found is None else f"{name} {told(found, digits, unit)}"


def _heat(heat: Heat) -> list[str]:
    whose = {"pack": " (pack's)", "motor": " (motor's)"}.get(heat.current_of or "", "")
    return [
        _known(f"current{whose} rms", heat.rms_current_a, 0, " A"),
        _known("at most", heat.peak_current_a, 0, " A"),
        _known("motor at most", heat.motor_temp_highest_c, 0, " °C"),
        _known("controller", heat.controller_temp_highest_c, 0, " °C"),
        _known("∫I²dt against the pass before", heat.against_previous, 2, " times"),
    ]


def _pack(pack: PackUse) -> list[str]:
    return [
        _known("sag", pack.sag_v, 1, " V"),
        _known("lowest cell", pack.lowest_cell_v, 2, " V"),
        _known("energy", pack.energy_wh, 1, " Wh"),
        _known("at most", pack.c_rate, 0, " C"),
    ]


def _tyre(tyre: TyreUse) -> list[str]:
    return [
        _known("growth", None if tyre.growth is None else tyre.growth.scaled(100.0), 1, " %"),
        _known("slip", None if tyre.slip is None else tyre.slip.scaled(100.0), 1, " %"),
        _known(
            "growth less slip",
            None if tyre.growth_less_slip is None else tyre.growth_less_slip.scaled(100.0), 1, " %",
        ),
        _known("tread at most", tyre.tread_accel_g, 0, " g"),
    ]  # fmt: skip


def _left(left: Left | None) -> list[str]:
    if left is None:
        return []
    more = left.with_more_run_up_mps
    parts = [f"with {metres:g} m more run-up {told_speed(more[metres])}" for metres in sorted(more)]
    if left.terminal_mps is not None:
        parts.append(f"on a runway without end {told_speed(left.terminal_mps)}")
    return parts


def _stopping(found: Stopping | None) -> list[str]:
    if found is None or found.distance_m is None:
        return []
    room = END_NOT_GIVEN if found.room_m is None else f"{found.room_m:.0f} m to the runway's end"
    fits = ": doesn't fit" if found.fits is False else ""
    return [f"{told(found.distance_m, 0, ' m')} from the trap, {room}{fits}"]
