"""What the user wrote, as plain numbers; and that the session takes and refuses it in clear words."""

from __future__ import annotations

from pathlib import Path

import pytest

from speedlog.course.wind import parse_wind
from speedlog.errors import SpeedlogError
from speedlog.session.day import Weather
from speedlog.session.load import read_setup
from speedlog.session.table import Table
from speedlog.units import parse_quantity
from speedlog.vehicle.facts import CarFacts, capacity_of, cells_of, facts_of

WRITTEN = {
    "wheel_diameter": "88 mm", "gear_ratio": 1.2, "cells": "12S 5.0 Ah", "current_limit": "250 A", "ramp": "1.5 s",
    "mass": "7.9 kg", "motor_kv": 520, "current_of": "Pack", "pack_limit_c_rate": 60, "lowest_cell": "3.4 V",
    "motor_limit": "100 °C", "controller_limit": "212 °F", "tyre_limit": "20000 g", "tyre_limit_rpm": "25000 rpm",
    "wheels_driven": 2, "wheelbase": "320 mm",
}  # fmt: skip


def setup(**written):
    return read_setup(Table(written, Path("day.toml"), "pass 1, setup."))


def test_a_set_up_in_numbers() -> None:
    facts = facts_of(setup(**WRITTEN))
    assert (facts.cells, facts.pack_capacity_ah, facts.current_of) == (12, 5.0, "pack")
    assert (facts.ramp_s, facts.current_limit_a, facts.mass_kg) == (1.5, 250.0, 7.9)
    assert facts.controller_limit_c == pytest.approx(100.0)
    assert facts.tyre_limit_g == pytest.approx(20000.0) and facts.tyre_limit_rpm == 25000.0
    assert (facts.wheels_driven, facts.wheelbase_m) == (2, pytest.approx(0.32))
    assert dict(facts.setup)["current_limit"] == "250 A"


def test_nothing_written_is_nothing_known() -> None:
    assert facts_of({}) == CarFacts()


@pytest.mark.parametrize(
    ("text", "cells"),
    [(12, 12), ("12S", 12), ("2 x 6s2p, 5000 mAh", 6), ("12S 5.0 Ah", 12), ("twelve", None), (0, None), ("0S", None),
     ("5.12s", None), (None, None), (True, None)],
)  # fmt: skip
def test_cells_as_people_write_them(text, cells) -> None:
    assert cells_of(text) == cells


@pytest.mark.parametrize(
    ("text", "ah"), [("12S 5.0 Ah", 5.0), ("6S 5200mAh", 5.2), ("12S", None), (12, None)]
)
def test_capacity_as_people_write_it(text, ah) -> None:
    assert capacity_of(text) == ah


def test_a_ramp_in_own_words_is_no_number() -> None:
    assert facts_of({"ramp": "soft"}).ramp_s is None


def test_weather_in_si() -> None:
    weather = Weather(
        wind=parse_wind("4 m/s from 250"), temperature=parse_quantity("21 °C", "temperature", ""),
        humidity=parse_quantity("55 %", "share", ""), qnh=parse_quantity("1016 hPa", "pressure", ""),
        elevation=parse_quantity("31 m", "length", ""),
    )  # fmt: skip
    facts = facts_of({}, weather)
    assert facts.temperature_k == pytest.approx(294.15) and facts.humidity == pytest.approx(0.55)
    assert facts.pressure_pa == pytest.approx(101600 - 31 * 12.02, abs=5)  # 12.0 Pa/m near the ground
    assert (facts.wind_speed_mps, facts.wind_from_deg, facts.wind_side) == (4.0, 250.0, None)


def test_height_alone_gives_an_assumed_pressure() -> None:
    facts = facts_of({}, Weather(elevation=parse_quantity("1000 m", "length", "")))
    assert facts.pressure_assumed and facts.pressure_pa == pytest.approx(89875, rel=1e-4)  # ISO 2533
    told = Weather(pressure=parse_quantity("900 hPa", "pressure", ""))
    assert not facts_of({}, told).pressure_assumed


def test_measured_by_hand() -> None:
    told = {
        "charge_put_back": parse_quantity("390 mAh", "charge", ""),
        "motor_temp_after": parse_quantity("52 °C", "temperature", ""),
    }
    facts = facts_of({}, None, told)
    assert facts.charge_put_back_ah == pytest.approx(0.39) and facts.motor_temp_after_c == 52.0


def test_whose_current_is_one_of_two_words() -> None:
    with pytest.raises(SpeedlogError) as found:
        setup(current_of="phase")
    assert 'pass 1, setup.current_of: "phase" is not known' in str(found.value)
    assert 'Write "pack" or "motor".' in str(found.value)


@pytest.mark.parametrize("key", ["tyre_limit", "lowest_cell", "motor_limit", "pack_capacity"])
def test_a_limit_needs_its_unit(key) -> None:
    with pytest.raises(SpeedlogError, match=f"setup.{key}"):
        setup(**{key: "100"})
