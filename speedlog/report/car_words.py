"""What the logs tell of the car in a pass, in a few lines a block: heat, pack, tyres, what was left, air.

A block stands only where there is something to say; where a quantity could not be told, its own sentence says why.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from speedlog.report.numbers import dif, mps, num
from speedlog.results_car import CarPass, Heat, Left, PackUse, RoadLoad, StillAir, Stopping, Thermal, TyreUse
from speedlog.results_quantity import Quantity95

_EVEN = 0.1  # ends as far from the value as this share of the half-width: ± says all
# limits that nobody entered stand in one line of their own; a sum is not missed where its parts are told
_TOLD_ELSEWHERE = {"over_current_limit_s", "over_motor_limit_s", "over_controller_limit_s", "over_limit_s",
                   "growth_less_slip"}  # fmt: skip


@dataclass(frozen=True)
class CarBlock:
    """Rows of name and value (speeds as tokens), and sentences under them."""

    key: str
    title: str
    rows: tuple[tuple[str, str], ...]
    notes: tuple[str, ...] = ()


def car_blocks(car: CarPass) -> tuple[CarBlock, ...]:
    """The blocks that have something to say."""
    if car.heat.file is None:  # no controller's log: what that would have told is not missed in every line
        by_hand = _known(("Motor, by hand", car.thermal.peak_c, 0, " °C")) if car.thermal.by_hand else []
        few = (
            _block("heat", "Heat", by_hand),
            _block("tyre", "Tyres", _known(("Worn off the diameter", _milli(car.tyre.worn_m), 2, " mm"))),
            _block("air", "Wind and air", _still_air(car.still_air), car.still_air.why_not),
        )
        return tuple(block for block in few if block.rows)
    blocks = (
        _block("heat", "Heat", [*_heat(car.heat), *_thermal(car.thermal)], car.heat.why_not, car.thermal.why_not),
        _block("pack", "Pack", _pack(car.pack), car.pack.why_not),
        _block("tyre", "Tyres", _tyre(car.tyre), car.tyre.why_not),
        _block("left", "What was left", [*_left(car.left), *_stopping(car.stopping)], *_reasons(car)),
        _block("load", "Road load", _road_load(car.road_load)),
        _block("air", "Wind and air", _still_air(car.still_air), car.still_air.why_not),
    )  # fmt: skip
    return tuple(block for block in blocks if block.rows or block.notes)


def cautions(car: CarPass) -> tuple[str, ...]:
    """Limits gone over, and which limits nobody entered."""
    said = [item.text for item in car.cautions]
    if car.fix_loss.text and car.fix_loss.evidence in ("strong", "some"):
        said += [car.fix_loss.text, *car.fix_loss.try_next]
    if car.not_checked and car.heat.file is not None:
        said.append(f"Not checked, as no limit was entered: {', '.join(car.not_checked)}.")
    return tuple(said)


def calm(car: CarPass) -> tuple[str, ...]:
    """What was looked for and not found."""
    return (car.fix_loss.text,) if car.fix_loss.text and car.fix_loss.evidence == "none" else ()


def _block(key: str, title: str, rows: Iterable[tuple[str, str]], *why_not: Mapping[str, str]) -> CarBlock:
    reasons = dict.fromkeys(
        text for group in why_not for key, text in group.items() if key not in _TOLD_ELSEWHERE
    )
    return CarBlock(key, title, tuple(rows), tuple(reasons))


def _reasons(car: CarPass) -> list[Mapping[str, str]]:
    return [part.why_not for part in (car.left, car.stopping) if part is not None]


def told(found: Quantity95, digits: int, unit: str) -> str:
    """ "61 ± 2 °C", or with both ends where the interval is lopsided; digits below 0 round to tens, hundreds, …"""
    low, high = found.value - found.low, found.high - found.value
    if digits < 0:
        half = round((low + high) / 2, digits)
        value, least, most = (round(end, digits) for end in (found.value, found.low, found.high))
        even = abs(low - high) <= _EVEN * (low + high)
        found, digits = Quantity95(value, value - half if even else least, value + half if even else most), 0
        low, high = found.value - found.low, found.high - found.value
    unit = unit.replace(" ", "\u00a0")
    if low == high == 0:
        return f"{found.value:.{digits}f}{unit}"
    if (low + high) / 2 < 0.5 * 10**-digits:
        digits += 1  # "± 0.0" says nothing
        if (low + high) / 2 < 0.5 * 10**-digits:
            return f"{found.value:.{digits}f}{unit}"
    number = f"{found.value:.{digits}f}"
    if abs(low - high) <= _EVEN * (low + high):
        return f"{number}\u00a0±\u00a0{(low + high) / 2:.{digits}f}{unit}"
    return f"{number}{unit} ({found.low:.{digits}f} to {found.high:.{digits}f})"


def told_speed(found: Quantity95) -> str:
    """The same of a speed, as tokens."""
    return f"{num(found.value)}\u00a0±\u00a0{mps((found.high - found.low) / 2)}"


def _known(*rows: tuple[str, Quantity95 | None, int, str]) -> list[tuple[str, str]]:
    return [(name, told(found, digits, unit)) for name, found, digits, unit in rows if found is not None]


def _percent(found: Quantity95 | None) -> Quantity95 | None:
    return None if found is None else found.scaled(100.0)


def _milli(found: Quantity95 | None) -> Quantity95 | None:
    return None if found is None else found.scaled(1e3)


def _over(found: Quantity95 | None) -> Quantity95 | None:
    """Time over a limit, where there was any."""
    return found if found is not None and found.high > 0 else None


def _heat(heat: Heat) -> list[tuple[str, str]]:
    whose = {"pack": " (pack)", "motor": " (motor)"}.get(heat.current_of or "", "")
    return _known(
        (f"Current, root mean square{whose}", heat.rms_current_a, 0, " A"),
        (f"Highest current{whose}", heat.peak_current_a, 0, " A"),
        ("Motor, highest", heat.motor_temp_highest_c, 0, " °C"),
        ("Controller, highest", heat.controller_temp_highest_c, 0, " °C"),
        ("Heat (∫I² dt) against the pass before", heat.against_previous, 2, " times"),
        ("… against earlier passes with this set-up", heat.against_same_setup, 2, " times"),
        ("Over the current limit", _over(heat.over_current_limit_s), 1, " s"),
        ("Motor over its limit", _over(heat.over_motor_limit_s), 1, " s"),
        ("Controller over its limit", _over(heat.over_controller_limit_s), 1, " s"),
        ("Ramp to full pull", heat.ramp.ramp_s, 1, " s"),
        ("Heat it saved against none", _percent(heat.ramp.heat_saved), 1, " %"),
        (
            "True current over logged, by the charge put back",
            heat.current_scale if heat.charge_ratio else None,
            2,
            "",
        ),
    )


def _thermal(found: Thermal) -> list[tuple[str, str]]:
    rows = _known(("Motor, heat soak included", found.peak_c, 0, " °C"))
    if found.repeat_peak_c is not None and found.repeat_from_c is not None:
        name = f"The same pass again, begun at {found.repeat_from_c:.0f}\u00a0°C"
        rows.append((name, told(found.repeat_peak_c, 0, " °C")))
    return rows


def _pack(pack: PackUse) -> list[tuple[str, str]]:
    return _known(
        ("Sag at the highest current", pack.sag_v, 1, " V"),
        ("Lowest voltage", pack.lowest_v, 1, " V"),
        ("… a cell", pack.lowest_cell_v, 2, " V"),
        ("Resistance at the controller", _milli(pack.resistance_ohm), 1, " mΩ"),
        ("… a cell", _milli(pack.resistance_per_cell_ohm), 2, " mΩ"),
        ("Highest power", None if pack.peak_power_w is None else pack.peak_power_w.scaled(1e-3), 1, " kW"),
        ("Energy", pack.energy_wh, 1, " Wh"),
        ("Charge", pack.charge_ah, 2, " Ah"),
        ("C rate at the highest current", pack.c_rate, 0, " C"),
    )


def _tyre(tyre: TyreUse) -> list[tuple[str, str]]:
    at = "" if tyre.at_rpm is None else f" at {round(tyre.at_rpm, -2):.0f} rpm"
    return _known(
        (f"Growth{at}", _percent(tyre.growth), 1, " %"),
        (f"Slip{at}", _percent(tyre.slip), 1, " %"),
        (f"Growth less slip{at}", _percent(tyre.growth_less_slip), 1, " %"),
        ("Highest wheel speed", tyre.peak_wheel_rpm, -1, " rpm"),
        ("Tread, highest", tyre.tread_accel_g, -2, " g"),
        ("Over the tyre limit", _over(tyre.over_limit_s), 1, " s"),
        ("Worn off the diameter", _milli(tyre.worn_m), 2, " mm"),
    )


def _left(left: Left | None) -> list[tuple[str, str]]:
    if left is None:
        return []
    more = left.with_more_run_up_mps
    rows = [(f"With {metres:g}\u00a0m more run-up", told_speed(more[metres])) for metres in sorted(more)]
    if left.terminal_mps is not None:
        rows.append(("On a runway without end", told_speed(left.terminal_mps)))
    return rows


def _stopping(found: Stopping | None) -> list[tuple[str, str]]:
    if found is None or found.distance_m is None:
        return []
    return [("From the trap to a stand", told(found.distance_m, -1, " m"))]


def _road_load(found: RoadLoad | None) -> list[tuple[str, str]]:
    """Names after SAE J1263: the drag area has the downforce's share in it."""
    if found is None or found.drag_area_m2 is None:
        return []
    of = {"coast": "from the coast", "braked coast": "from the coast, motor braking included",
          "run-up": "from the run-up"}[found.source or "run-up"]  # fmt: skip
    of += ", both directions together" if found.directions > 1 else ""
    rows = [(f"Drag area CdA, {of}", told(found.drag_area_m2, 4, " m²"))]
    if found.rolling is not None:
        rows.append(("Rolling resistance, share of weight", told(found.rolling.scaled(100.0), 1, " %")))
    return rows


def _still_air(found: StillAir) -> list[tuple[str, str]]:
    rows = []
    if found.equivalent_mps is not None:
        rows.append(("In still air of the standard day", told_speed(found.equivalent_mps)))
    for name, part in (("The wind gave", found.wind_gave_mps), ("The air gave", found.air_gave_mps)):
        if part is not None:
            rows.append((name, f"{dif(part.value)} (±\u00a0{mps((part.high - part.low) / 2)})"))
    return rows
