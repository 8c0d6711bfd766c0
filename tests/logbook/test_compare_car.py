"""Heat and sag of passes side by side."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

import speedlog
from speedlog.logbook.compare import Side, comparison
from speedlog.logbook.compare_car import car_rows
from speedlog.report import compare_words as words
from speedlog.results_car import CarPass, Heat, PackUse
from speedlog.results_quantity import Quantity95
from tests.logbook.driven import driven
from tests.logbook.kept import kept

SCHEMA = json.loads((Path(speedlog.__file__).parent / "compare.schema.json").read_text("utf-8"))


def car(heat: float, sag: float | None, motor: float = 60.0) -> CarPass:
    return CarPass(
        1,
        heat=Heat(
            squared_logged_a2s=Quantity95(heat, heat - 300, heat + 300),
            motor_temp_highest_c=Quantity95(motor, motor - 1, motor + 1),
        ),
        pack=PackUse(sag_v=None if sag is None else Quantity95(sag, sag - 0.3, sag + 0.3)),
    )


def test_differences_and_their_intervals() -> None:
    rows = {row.name: row for row in car_rows([car(100_000, 2.0), None, car(125_000, 2.2)])}
    assert set(rows) == {"heat", "motor_highest", "sag"}  # nothing of what no log tells
    assert rows["sag"].by[1] is None and rows["sag"].more[0] is None and rows["sag"].more[1] is None
    more = rows["sag"].more[2]
    assert more is not None and more.value == pytest.approx(0.2)
    assert more.interval95 == pytest.approx(
        (0.2 - 0.3 * 2**0.5, 0.2 + 0.3 * 2**0.5)
    )  # √(0.3² + 0.3²), by hand


def test_in_words() -> None:
    heat, motor, sag = car_rows([car(100_000, 2.0), car(125_000, 2.2, 59.8)])
    said = [words.car_more(row, 1).replace("\u00a0", " ") for row in (heat, motor, sag)]
    assert said == [
        "+25.0 ± 0.4 kA²s (+25 %)",
        "+0 ± 1 °C, within the noise",
        "+0.2 ± 0.4 V, within the noise",
    ]
    assert words.car_value(sag, 0).replace("\u00a0", " ") == "2.0 ± 0.3 V"


def test_in_the_comparison_and_its_json() -> None:
    def side(id_: int, found: CarPass) -> Side:
        return Side(kept(id_, trap=80.0, peak=80.0), replace(driven(8.0), car=found))

    told = comparison([side(1, car(100_000, 2.0)), side(2, car(90_000, None))]).as_json()
    jsonschema.Draft202012Validator(SCHEMA).validate(told)
    assert [row["name"] for row in told["car"]] == ["heat", "motor_highest", "sag"]
    assert told["car"][0]["more"][1]["value"] == -10_000 and told["car"][2]["by"][1] is None
