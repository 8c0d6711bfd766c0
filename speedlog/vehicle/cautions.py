"""Limits that the pass went over: the user's own first, else common practice. A caution is no advice to go on."""

from __future__ import annotations

from speedlog.results_car import Caution, Heat, PackUse, Thermal, TyreUse
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle.facts import CarFacts

DEFER = "The makers' limits and the event's rules come before this page."
NOT_CHECKED = {
    "motor_limit_c": "motor temperature", "controller_limit_c": "controller temperature",
    "pack_limit_c_rate": "the pack's C rate", "lowest_cell_v": "lowest cell voltage", "tyre": "tyre (g or rpm)",
}  # fmt: skip


def not_checked(facts: CarFacts) -> tuple[str, ...]:
    """Makers' limits that were not entered, in words."""
    tyre = facts.tyre_limit_g is not None or facts.tyre_limit_rpm is not None
    return tuple(
        words
        for name, words in NOT_CHECKED.items()
        if not (tyre if name == "tyre" else getattr(facts, name) is not None)
    )


def cautions_of(
    heat: Heat, thermal: Thermal, pack: PackUse, tyre: TyreUse, facts: CarFacts, settings: VehicleSettings
) -> tuple[Caution, ...]:
    """Every limit that a value (not merely its interval) went over."""
    return (*_hot(heat, thermal, facts), *_pack(pack, facts, settings), *_tyre(tyre, facts))


def _hot(heat: Heat, thermal: Thermal, facts: CarFacts) -> list[Caution]:
    found = []
    motor = _most(thermal.peak_c, heat.motor_temp_highest_c)
    if _above(motor, facts.motor_limit_c):
        soak = thermal.peak_after_stop_s is not None and thermal.peak_after_stop_s.value > 0
        when = ", after it had stopped" if soak else ""
        text = (
            f"The motor reached {motor:.0f} °C{when}; its limit as entered is {facts.motor_limit_c:.0f} °C."
        )
        found.append(Caution("motor_hot", text, True))
    controller = _most(heat.controller_temp_highest_c)
    if _above(controller, facts.controller_limit_c):
        limit = f"its limit as entered is {facts.controller_limit_c:.0f} °C"
        found.append(Caution("controller_hot", f"The controller reached {controller:.0f} °C; {limit}.", True))
    return found


def _pack(pack: PackUse, facts: CarFacts, settings: VehicleSettings) -> list[Caution]:
    found = []
    stated = facts.lowest_cell_v is not None
    floor = facts.lowest_cell_v if facts.lowest_cell_v is not None else settings.cell_floor_v
    if pack.lowest_cell_v is not None and pack.lowest_cell_v.value < floor:
        whose = "the limit as entered is" if stated else "common practice stays above"
        text = (
            f"A cell fell to {pack.lowest_cell_v.value:.2f} V on average under load; {whose} {floor:.2f} V."
        )
        found.append(Caution("cell_low", text, stated))
    if pack.c_rate is not None and facts.pack_limit_c_rate is not None:
        rate, limit = pack.c_rate.value, facts.pack_limit_c_rate
        if rate > limit:
            text = f"The pack gave {rate:.0f} C at its highest; its limit as entered is {limit:.0f} C."
            found.append(Caution("c_rate_high", text, True))
    capacity = facts.pack_capacity_ah
    if (
        pack.charge_ah is not None
        and capacity is not None
        and pack.charge_ah.value > settings.most_used * capacity
    ):
        share = 100 * pack.charge_ah.value / capacity
        text = f"The pass took {share:.0f} % of the pack's capacity; common practice leaves a fifth in it."
        found.append(Caution("pack_empty", text, False))
    rest = facts.pack_voltage_rest_v
    if rest is not None and facts.cells is not None and rest / facts.cells > settings.cell_full_v:
        cell = f"{rest / facts.cells:.2f} V a cell"
        text = f"At rest the pack showed {cell}: over a full cell's 4.2 V, or the count of cells is wrong."
        found.append(Caution("cell_overfull", text, False))
    return found


def _tyre(tyre: TyreUse, facts: CarFacts) -> list[Caution]:
    found = []
    if tyre.tread_accel_g is not None and _above(tyre.tread_accel_g.value, facts.tyre_limit_g):
        limit = f"the limit as entered is {facts.tyre_limit_g:,.0f} g"
        found.append(Caution("tyre_g", f"The tread was at {tyre.tread_accel_g.value:,.0f} g; {limit}.", True))
    if tyre.peak_wheel_rpm is not None and _above(tyre.peak_wheel_rpm.value, facts.tyre_limit_rpm):
        limit = f"the limit as entered is {facts.tyre_limit_rpm:,.0f} rpm"
        found.append(
            Caution("tyre_rpm", f"The wheel turned {tyre.peak_wheel_rpm.value:,.0f} rpm; {limit}.", True)
        )
    return found


def _most(*values: Quantity95 | None) -> float | None:
    known = [value.value for value in values if value is not None]
    return max(known) if known else None


def _above(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and value > limit
