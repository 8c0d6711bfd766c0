"""The car's part of `review --json`: its schema is that of the dataclasses, and real results satisfy it."""

from __future__ import annotations

import json
from dataclasses import replace

import jsonschema

import speedlog as sl
from speedlog.course.coursefile import Course
from speedlog.demo import sample_folder
from speedlog.results_car import CarPass
from speedlog.vehicle.facts import CarFacts
from tests.car_schema import FILE, whole

SCHEMA = json.loads(FILE.read_text("utf-8"))


def test_the_schema_is_that_of_the_dataclasses() -> None:
    """Otherwise: python -m tests.car_schema."""
    assert whole() == SCHEMA
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_results_satisfy_it_and_a_wrong_one_does_not() -> None:
    samples = sample_folder()
    found = sl.review(
        [samples / "p10_front.nmea", samples / "p10_controller.csv"],
        course=Course.load(samples / "course.toml"), trap="191.4 mph", wheel_diameter="88 mm", facts=CarFacts(cells=12),
    )  # fmt: skip
    told = json.loads(json.dumps(found.as_json(), allow_nan=False))
    check = jsonschema.Draft202012Validator(SCHEMA)
    check.validate(told)
    assert told["passes"][0]["car"]["left"]["with_more_run_up_mps"]
    told["passes"][0]["car"]["pack"]["sag_v"] = 1.2  # a bare number is no quantity
    assert not check.is_valid(told)
    empty = replace(found.passes[0], car=CarPass(1))
    check.validate(json.loads(json.dumps(replace(found, passes=(empty,)).as_json(), allow_nan=False)))
