"""forecast --json in every form against its schema; limits held, limits that nothing tells of."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import typer
from typer.testing import CliRunner

import speedlog
from speedlog.cli.forecast import forecast
from speedlog.cli.forecast_json import as_json
from speedlog.cli.forecast_text import in_words
from speedlog.cli.variadic import Variadic
from speedlog.report.forecast_page import forecast_page
from speedlog.report.numbers import speed_unit
from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.units import parse_quantity
from speedlog.vehicle.car import Car
from speedlog.vehicle.forecast import forecast as run
from speedlog.vehicle.plan import Known, Makers, Plan
from speedlog.vehicle.stopping import Braking
from speedlog.vehicle.target import Told, sweep, ways_to

SCHEMA = json.loads((Path(speedlog.__file__).parent / "forecast.schema.json").read_text("utf-8"))
SETTINGS = ForecastSettings()
MADE = dt.datetime(2026, 8, 1, tzinfo=dt.UTC)
BRAKED = (Braking(1.0, 10.0, 0.1, 80.0), Braking(1.4, 10.5, 0.1, 82.0))
WHOLE = Makers(95.0, 80.0, 3.3, 40.0, 25_000.0, None)
KNOWN = Known(
    Car(friction=1.2, pack_limit_a=150.0, motor_limit_a=280.0), None, 12, 5.0, WHOLE, BRAKED,
    heating_k_per_a2s=Quantity95.spread(1e-4, 1e-5), controller_k_per_a2s=Quantity95.spread(4e-5, 4e-6),
    nearest_mps=(80.0,),
)  # fmt: skip
PLAN = Plan(450.0, 30.0, room_m=900.0, motor_start_c=25.0, controller_start_c=22.0)


def told(known: Known = KNOWN, plan: Plan = PLAN, target: float | None = None, swept: str = "") -> Told:
    ways = () if target is None else ways_to(known, plan, target, SETTINGS)
    turned = sweep(known, plan, swept, 10.0, 13.0, SETTINGS) if swept else None
    return Told("a car", known, run(known, plan, SETTINGS), ways, target, turned)


FORMS = {
    "plain": lambda: told(),
    "target": lambda: told(target=88.0),
    "target out of reach": lambda: told(target=300.0),
    "sweep": lambda: told(swept="cells"),
    "everything": lambda: told(target=88.0, swept="cells"),
    "nothing entered": lambda: told(
        replace(KNOWN, makers=Makers(), cells=None, capacity_ah=None), target=88.0
    ),
    "no braking, no end": lambda: told(replace(KNOWN, braking=()), replace(PLAN, room_m=None), 88.0, "cells"),
    "doesn't fit": lambda: told(plan=replace(PLAN, room_m=300.0), target=88.0, swept="cells"),
    "never gets there": lambda: told(
        replace(KNOWN, car=Car(pack_limit_a=0.5, motor_limit_a=6.0)), target=88.0, swept="cells"
    ),
    "no temperatures": lambda: told(replace(KNOWN, heating_k_per_a2s=None, controller_k_per_a2s=None)),
    "no name": lambda: replace(told(), name=""),
}


@pytest.fixture(scope="module")
def made() -> dict[str, Told]:
    return {name: make() for name, make in FORMS.items()}


def checked(found: Any) -> dict[str, Any]:
    plain = json.loads(json.dumps(found, allow_nan=False))
    jsonschema.Draft202012Validator(SCHEMA).validate(plain)
    return dict(plain)


def every_text(found: Any) -> Iterator[str]:
    if isinstance(found, dict):
        for key, value in found.items():
            yield key
            yield from every_text(value)
    elif isinstance(found, list):
        for item in found:
            yield from every_text(item)
    elif isinstance(found, str):
        yield found


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("form", list(FORMS))
def test_every_form_meets_the_schema(made: dict[str, Told], form: str) -> None:
    found = checked(as_json(made[form]))
    assert all(text.strip() for text in every_text(found))
    assert (found["target"] is None) == (made[form].target_mps is None)
    assert (found["sweep"] is None) == (made[form].swept is None)


@pytest.mark.parametrize("key", SCHEMA["required"])
def test_a_missing_key_is_refused(made: dict[str, Told], key: str) -> None:
    found = as_json(made["everything"])
    del found[key]
    with pytest.raises(jsonschema.ValidationError, match=key):
        checked(found)


def test_a_figure_that_is_none_is_refused(made: dict[str, Told]) -> None:
    found = as_json(made["plain"])
    found["forecast"]["trap_mps"] = 83.0  # a speed without its interval
    with pytest.raises(jsonschema.ValidationError):
        checked(found)


@pytest.mark.parametrize("form", list(FORMS))
def test_every_form_as_words(made: dict[str, Told], form: str) -> None:
    """What was not checked stands first; a stopping distance in every one; no empty or subjectless words."""
    found = made[form]
    text = in_words(found, speed_unit("mph"))
    assert text.split()[0] in ("Not", "Every")
    assert "Stopping distance" in text and "These cars can kill" in text
    for bad in (
        "nan",
        "None",
        "of it ",
        " - ",
        "±\u00a00.0",
        "± 0.0 ",
        "()",
        ": ;",
        "  .",
        "safe",
        "recommend",
    ):
        assert bad not in text, bad
    assert all(line.strip() for part in text.split("\n\n") for line in part.splitlines())


def test_the_runways_end(made: dict[str, Told]) -> None:
    for form, words in (
        ("plain", "the runway's end is 900 m"), ("doesn't fit", "doesn't fit, the runway's end is 300 m"),
        ("no braking, no end", "runway end not given"),
    ):  # fmt: skip
        assert words in in_words(made[form], speed_unit("mph"))
    short = as_json(made["doesn't fit"])
    assert short["forecast"]["stopping"]["fits"] is False
    assert all(point["stopping"]["fits"] is False for point in short["sweep"]["points"])
    assert {item["what"]: item["over"] for item in short["forecast"]["limits"]}["runway"]
    away = as_json(made["no braking, no end"])["forecast"]["stopping"]
    assert away["fits"] is None and away["distance_m"] is None


def test_a_limit_is_held_against_the_forecast(made: dict[str, Told]) -> None:
    """Both sides of each maker's limit: a degree, a tenth of a volt, a C more or less."""
    now = made["plain"].told
    figures = (
        now.motor_peak_c,
        now.controller_peak_c,
        now.lowest_cell_v,
        now.c_rate,
        now.tread_g,
        now.wheel_rpm,
    )
    assert all(item is not None for item in figures)
    values = [item.value for item in figures if item is not None]
    keys = ["motor", "controller", "cell", "c_rate", "tyre_g", "tyre_rpm"]
    for by, over in ((1.001, False), (0.999, True)):
        tight = [value * by for value in values]
        tight[2] = values[2] / by  # of a cell the limit lies below
        limits = as_json(told(replace(KNOWN, makers=Makers(*tight))))["forecast"]["limits"]
        assert {item["what"]: item["over"] for item in limits if item["what"] in keys} == dict.fromkeys(
            keys, over
        )
        text = in_words(told(replace(KNOWN, makers=Makers(*tight))), speed_unit("mph"))
        assert text.count(" the maker's limit, ") == 6 and (": over the maker's limit" in text) == over
        assert (": under the maker's limit" in text) == over


def test_a_limit_that_nothing_tells_of_is_not_called_checked(made: dict[str, Told]) -> None:
    found = as_json(made["no temperatures"])
    assert set(found["not_told"]) == {"motor_limit", "controller_limit"} and found["not_checked"] == []
    assert "though the maker's limit was entered: motor temperature (no pass logged" in in_words(
        made["no temperatures"], speed_unit("mph")
    )
    assert as_json(made["plain"])["not_told"] == {}
    assert in_words(made["plain"], speed_unit("mph")).startswith(
        "Every maker's limit was entered and is checked."
    )


def test_what_gives_first_is_said_of_each_way(made: dict[str, Told]) -> None:
    text = in_words(made["nothing entered"], speed_unit("mph"))
    assert text.startswith("Not checked, as the maker's limit was not entered: motor temperature")
    assert "of what was checked: traction" in text
    tight = told(replace(KNOWN, makers=replace(WHOLE, motor_c=30.0)), target=88.0)
    assert "What gives first: the motor's temperature passes its maker's limit as it stands" in in_words(
        tight, speed_unit("mph")
    )


@pytest.mark.parametrize("form", list(FORMS))
def test_every_form_as_a_page(made: dict[str, Told], form: str) -> None:
    page = forecast_page(made[form], unit="mph", made=MADE)
    body = page[page.index("<main>") : page.index("</main>")]
    assert "Stopping distance" in body and "nan" not in body and "None" not in body


app = typer.Typer()
app.command("forecast", cls=Variadic)(forecast)


@pytest.mark.parametrize(
    "more",
    [
        [],
        ["--target", "180 mph"],
        ["--sweep", "run_up=300 m..600 m"],
        ["--set", "cells=13", "wind=3 m/s head"],
    ],
)
def test_the_command_writes_what_the_schema_says(tmp_path: Path, more: list[str]) -> None:
    car = tmp_path / "car.toml"
    car.write_text('mass = "8 kg"\nrun_up = "450 m"\ncells = 12\n', encoding="utf-8")
    done = CliRunner().invoke(app, [str(car), *more, "--json", str(tmp_path / "o.json")])
    assert done.exit_code == 0, done.output
    found = checked(json.loads((tmp_path / "o.json").read_text("utf-8")))
    assert found["fitted_to"] == [] and found["settled"] is None
    assert (found["target"] is not None) == ("--target" in more)
    if found["target"] is not None:
        assert found["target"]["speed_mps"] == pytest.approx(parse_quantity("180 mph", "speed", "x").value)
    assert (found["sweep"] is not None) == ("--sweep" in more)
