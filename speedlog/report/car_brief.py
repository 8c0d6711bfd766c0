"""The car in five lines: what the pass cost it and what was left, before the figures that are folded away."""

from __future__ import annotations

from collections.abc import Sequence

from speedlog.report.car_words import told, told_speed
from speedlog.report.numbers import dif, mps
from speedlog.results_car import CarPass, Heat, Left, PackUse, StillAir, Stopping, Thermal, TyreUse
from speedlog.results_quantity import Quantity95

END_NOT_GIVEN = "runway end not given"
CAUTION = "What is left is an estimate: the event's rules, local codes and the makers' limits come first."


def car_lines(car: CarPass) -> tuple[str, ...]:
    """The same for a terminal, a line a subject, with what to be careful of."""
    lines = [f"{subject.lower()}: {said}" for subject, said in car_brief(car)]
    lines += [f"caution: {item.text}" for item in car.cautions]
    return (*lines, *([CAUTION] if car.left is not None and _left(car.left) != [""] else []))


def car_brief(car: CarPass) -> tuple[tuple[str, str], ...]:
    """Subject and sentences (speeds as tokens), one a subject; a subject of which nothing is known has none."""
    lines = (
        ("Heat", [*_heat(car.heat, car.thermal), *_against(car.heat)]),
        ("Pack", _pack(car.pack, car.heat)),
        ("Tyres", _tyre(car.tyre)),
        ("Left in it", [*_left(car.left), *_stopping(car.stopping)]),
        ("Wind and air", _still_air(car.still_air)),
    )
    return tuple(
        (subject, " ".join(said)) for subject, parts in lines if (said := [part for part in parts if part])
    )


def _sentence(parts: Sequence[str]) -> str:
    known = [part for part in parts if part]
    return f"{', '.join(known)[:1].upper()}{', '.join(known)[1:]}." if known else ""


def _part(before: str, found: Quantity95 | None, digits: int, unit: str, after: str = "") -> str:
    return "" if found is None else f"{before}{told(found, digits, unit)}{after}"


def plain(found: Quantity95, digits: int, unit: str) -> str:
    """A number alone, where its interval is finer than its digits."""
    return f"{found.value:.{digits}f}{unit.replace(' ', chr(160))}"


def _heat(heat: Heat, thermal: Thermal) -> list[str]:
    start, top = heat.motor_temp_start_c, thermal.peak_c or heat.motor_temp_highest_c
    if top is None:
        motor = ""
    elif start is None:
        motor = f"motor at most {told(top, 0, ' °C')}"
    else:
        motor = f"motor from {plain(start, 0, '')} to {told(top, 0, ' °C')}"
    if motor and thermal.by_hand:
        motor += " (by hand)"
    controller = heat.controller_temp_highest_c
    again = ""
    if thermal.repeat_peak_c is not None and thermal.repeat_from_c is not None:
        again = (
            f"The same pass again, begun at {thermal.repeat_from_c:.0f}\u00a0°C, would take the motor to "
            f"{told(thermal.repeat_peak_c, 0, ' °C')}."
        )
    return [
        _sentence([motor, "" if controller is None else f"controller {plain(controller, 0, ' °C')}"]),
        again,
    ]


def _against(heat: Heat) -> list[str]:
    """∫I² dt: what heat in a winding goes with."""
    if heat.against_previous is not None:
        return [
            f"Heat (∫I²\u00a0dt) {plain(heat.against_previous, 2, ' times')} the last pass with a current log."
        ]
    return []


def _pack(pack: PackUse, heat: Heat) -> list[str]:
    whose = {"motor": " in the motor"}.get(heat.current_of or "", "")
    sag, cell = pack.sag_v, pack.lowest_cell_v
    each = f" ({sag.value / pack.cells:.2f}\u00a0V a cell)" if sag is not None and pack.cells else ""
    rate = "" if pack.c_rate is None else f" ({plain(pack.c_rate, 0, ' C')})"
    return [
        _sentence([
            _part("current at most ", heat.peak_current_a, 0, " A", whose + rate),
            "" if sag is None else f"sag {plain(sag, 1, ' V')}{each}",
            "" if cell is None else f"lowest {plain(cell, 2, ' V')} a cell",
            _part("", pack.energy_wh, 1, " Wh", " used"),
        ])
    ]  # fmt: skip


def _tyre(tyre: TyreUse) -> list[str]:
    at = "" if tyre.at_rpm is None else f" at {round(tyre.at_rpm, -2):.0f}\u00a0rpm"
    percent = [
        None if item is None else item.scaled(100.0)
        for item in (tyre.growth, tyre.slip, tyre.growth_less_slip)
    ]
    grown, slipped, both = percent
    parts = [_part("grew ", grown, 1, " %"), _part("slipped ", slipped, 1, " %"),
             _part("growth less slip ", both, 1, " %")]  # fmt: skip
    known = [part for part in parts if part]
    if known:
        known[-1] += at
    tread, worn = tyre.tread_accel_g, tyre.worn_m
    return [
        _sentence([
            " and ".join(known),
            "" if tread is None else f"tread at most {round(tread.value, -2):.0f}\u00a0g",
            "" if worn is None or worn.low <= 0 else _part("", worn.scaled(1e3), 2, " mm", " worn off the diameter"),
        ]),
        tyre.why_not.get("rolling_diameter_m", ""),
    ]  # fmt: skip


def _left(left: Left | None) -> list[str]:
    if left is None:
        return []
    more = [
        f"{told_speed(found)} with {metres:g}\u00a0m"
        for metres, found in sorted(left.with_more_run_up_mps.items())
    ]
    if more:
        more[0] += " more run-up"
    if left.terminal_mps is not None:
        more.append(f"{told_speed(left.terminal_mps)} on a runway without end")
    return [_sentence(more), left.why_not.get("fit", "") if more else ""]


def _stopping(found: Stopping | None) -> list[str]:
    return [] if found is None or found.distance_m is None else [f"To stop: {stopping_words(found)}."]


def stopping_words(found: Stopping) -> str:
    """The distance against the runway's end; "doesn't fit" where the long end of its interval goes past it."""
    assert found.distance_m is not None
    needs = f"{told(found.distance_m, -1, ' m')} from the trap"
    if found.room_m is None:
        return f"{needs}, {END_NOT_GIVEN}"
    there = f"the runway ends after {found.room_m:.0f}\u00a0m"
    if found.fits is not False:
        return f"{needs}, {there}"
    longest = f"{round(found.distance_m.high, -1):.0f}\u00a0m"
    return f"{needs}, {there}: {'it' if found.distance_m.value > found.room_m else longest} doesn't fit"


def _still_air(found: StillAir) -> list[str]:
    if found.equivalent_mps is None:
        return []
    air = "" if found.air_gave_mps is None else "thin air" if found.air_gave_mps.value >= 0 else "dense air"
    gave = [
        f"{name} {dif(part.value)} (±\u00a0{mps((part.high - part.low) / 2)})"
        for name, part in (("the wind gave", found.wind_gave_mps), (air, found.air_gave_mps))
        if part is not None
    ]
    return [_sentence([f"in still air of the standard day {told_speed(found.equivalent_mps)}", *gave])]
