"""CAR.toml: written, read back, and every mistake one line with its key."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from speedlog.errors import SpeedlogError
from speedlog.vehicle.car import PARTS, Car
from speedlog.vehicle.carfile import KEYS, answer, car_toml, load_car


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "car.toml"
    path.write_text(text, encoding="utf-8", newline="\n")
    return path


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    known = {"mass": 7.9, "wheel_diameter": 0.0885, "gear_ratio": 1.25, "cells": 12.0, "tyre_limit": 20_000.0,
             "tyre_limit_rpm": 25_000.0, "motor_limit": 100.0, "drag_area_m2": 0.0135}  # fmt: skip
    found = load_car(written(tmp_path, car_toml('The "car"', ("day/session.toml/2", "14"), known)))
    assert found.name == 'The "car"' and found.passes == ("day/session.toml/2", "14") and found.cells == 12
    assert found.car.mass_kg == pytest.approx(7.9) and found.car.wheel_m == pytest.approx(0.0885)
    assert found.car.gear_ratio == 1.25 and found.car.drag_area_m2 == 0.0135
    assert (found.makers.tyre_g, found.makers.tyre_rpm) == pytest.approx((20_000, 25_000))
    assert found.makers.motor_c == 100.0 and found.makers.lowest_cell_v is None


def test_every_key_is_explained_and_may_be_stated(tmp_path: Path) -> None:
    """Each comment taken for true reads back as the first guess."""
    text = re.sub(r"(?m)^# (\w+ = )", r"\1", car_toml("x", (), {}))
    found = load_car(written(tmp_path, text))
    assert set(found.numbers) == {key.key for key in KEYS}
    for part in PARTS:
        assert getattr(found.car, part.name) == pytest.approx(getattr(Car(), part.name)), part.key
    for key in KEYS:
        assert re.search(rf"(?m)^{key.key} = .*# .*usual", text), key.key


def test_typical_lies_within_possible() -> None:
    for key in KEYS:
        assert key.possible[0] <= key.typical[0] < key.typical[1] <= key.possible[1], key.key
    for part in PARTS:
        assert part.possible[0] <= part.guess <= part.possible[1], part.key


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("mass = 7.9", ["mass", "no unit", 'mass = "4 kg"']),
        ('mass = "7.9 mm"', ["mass", "not a unit of mass"]),
        ('mass = "700 kg"', ["mass", "can't be", "between 0.2 and 100", "Usual: 4 to 12 kg"]),
        ('drag_area_m2 = "0.012"', ["drag_area_m2", "not a number"]),
        ("drag_area_m2 = 12", ["drag_area_m2", "can't be"]),
        ("efficiency = nan", ["efficiency", "can't be"]),
        ("wheel_diamter = 1", ["wheel_diamter", 'Did you mean "wheel_diameter"?']),
        ("passes = 3", ["passes", "not a list"]),
        ("name = 3", ["name", "not text"]),
        ("mass = =\n", ["not a sound TOML file", "line 1"]),
        ("gear_ratio = true", ["gear_ratio", "not a number"]),
    ],
)
def test_a_mistake_is_one_line(tmp_path: Path, text: str, words: list[str]) -> None:
    with pytest.raises(SpeedlogError) as caught:
        load_car(written(tmp_path, text))
    said = str(caught.value)
    assert "car.toml" in said and "\n" not in said
    for word in words:
        assert word in said


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SpeedlogError, match="can't be read"):
        load_car(tmp_path / "none.toml")


def test_answers() -> None:
    keys = {key.key: key for key in KEYS}
    assert answer(keys["mass"], "17.4 lb") == pytest.approx(17.4 * 0.45359237)
    assert answer(keys["tyre_limit"], "20000 gn") == pytest.approx(20_000)
    assert answer(keys["gear_ratio"], "1,25") == 1.25
    assert answer(keys["motor_kv"], "520 rpm/V") == answer(keys["motor_kv"], "520") == 520.0
    with pytest.raises(SpeedlogError, match="not a number"):
        answer(keys["gear_ratio"], "one")


def test_a_hostile_name_stays_text(tmp_path: Path) -> None:
    text = car_toml('a"\nmass = "1 kg', ('x"]\nmass = "1 kg"#',), {})
    found = load_car(written(tmp_path, text))
    assert found.car.mass_kg == Car().mass_kg and "mass" not in found.numbers
