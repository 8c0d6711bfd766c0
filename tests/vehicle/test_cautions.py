"""Cautions on both sides of every limit; what was not entered is said; and nothing is ever called fit."""

from __future__ import annotations

import inspect

import pytest

from speedlog.results_car import Heat, PackUse, Thermal, TyreUse
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import cautions as module
from speedlog.vehicle import wording
from speedlog.vehicle.cautions import cautions_of, not_checked
from speedlog.vehicle.facts import CarFacts

S = VehicleSettings()


def q(value: float) -> Quantity95:
    return Quantity95(value, value - 1, value + 1)


def told(facts: CarFacts, **parts) -> list[str]:
    heat, thermal = parts.get("heat", Heat()), parts.get("thermal", Thermal())
    pack, tyre = parts.get("pack", PackUse()), parts.get("tyre", TyreUse())
    return [item.code for item in cautions_of(heat, thermal, pack, tyre, facts, S)]


CASES = [
    ("motor_hot", CarFacts(motor_limit_c=100), lambda v: {"thermal": Thermal(peak_c=q(v))}, 100.5, 99.5),
    ("motor_hot", CarFacts(motor_limit_c=100), lambda v: {"heat": Heat(motor_temp_highest_c=q(v))}, 100.5, 99.5),
    ("controller_hot", CarFacts(controller_limit_c=90), lambda v: {"heat": Heat(controller_temp_highest_c=q(v))},
     91, 89),
    ("cell_low", CarFacts(), lambda v: {"pack": PackUse(lowest_cell_v=q(v))}, 3.29, 3.31),
    ("cell_low", CarFacts(lowest_cell_v=3.5), lambda v: {"pack": PackUse(lowest_cell_v=q(v))}, 3.49, 3.51),
    ("c_rate_high", CarFacts(pack_limit_c_rate=60), lambda v: {"pack": PackUse(c_rate=q(v))}, 61, 59),
    ("pack_empty", CarFacts(pack_capacity_ah=5), lambda v: {"pack": PackUse(charge_ah=q(v))}, 4.01, 3.99),
    ("tyre_g", CarFacts(tyre_limit_g=20000), lambda v: {"tyre": TyreUse(tread_accel_g=q(v))}, 20001, 19999),
    ("tyre_rpm", CarFacts(tyre_limit_rpm=20000), lambda v: {"tyre": TyreUse(peak_wheel_rpm=q(v))}, 20001, 19999),
]  # fmt: skip


@pytest.mark.parametrize(
    ("code", "facts", "part", "over", "under"), CASES, ids=lambda x: x if isinstance(x, str) else ""
)
def test_both_sides_of_a_limit(code, facts, part, over, under) -> None:
    assert told(facts, **part(over)) == [code]
    assert told(facts, **part(under)) == []


def test_an_overfull_cell_is_a_caution() -> None:
    assert told(CarFacts(pack_voltage_rest_v=12 * 4.26, cells=12)) == ["cell_overfull"]
    assert told(CarFacts(pack_voltage_rest_v=12 * 4.24, cells=12)) == []


def test_whose_limit_it_is() -> None:
    low = PackUse(lowest_cell_v=q(3.2))
    common, own = (
        cautions_of(Heat(), Thermal(), low, TyreUse(), facts, S)[0]
        for facts in (CarFacts(), CarFacts(lowest_cell_v=3.4))
    )
    assert not common.stated and "common practice" in common.text and "3.30 V" in common.text
    assert own.stated and "as entered is 3.40 V" in own.text


def test_soak_after_the_stop_is_said() -> None:
    thermal = Thermal(peak_c=q(105), peak_after_stop_s=q(40.0))
    found = cautions_of(Heat(), thermal, PackUse(), TyreUse(), CarFacts(motor_limit_c=100), S)
    assert found[0].text == "The motor reached 105 °C, after it had stopped; its limit as entered is 100 °C."


def test_limits_not_entered_are_listed() -> None:
    assert len(not_checked(CarFacts())) == 5
    whole = CarFacts(
        motor_limit_c=100, controller_limit_c=90, pack_limit_c_rate=60, lowest_cell_v=3.4, tyre_limit_g=2e4
    )
    assert not_checked(whole) == ()


def test_nothing_is_called_safe_or_recommended() -> None:
    """DEVELOPERS.md: the tool tells of passes made; it does not say what is fit for the next."""
    for source in (module, wording):
        words = inspect.getsource(source).lower()
        assert "safe" not in words and "recommend" not in words
