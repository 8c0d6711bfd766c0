"""Passes side by side: what differs, what was gained, and the JSON against its schema."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

import speedlog
from speedlog.errors import SpeedlogError
from speedlog.logbook.compare import Comparison, Side, comparison, read_comparison
from speedlog.logbook.store import Logbook
from tests.logbook.driven import driven
from tests.logbook.kept import kept

SCHEMA = json.loads((Path(speedlog.__file__).parent / "compare.schema.json").read_text("utf-8"))


def side(id_: int, accel_mps2: float, setup: dict | None = None, *, outbound: bool = True, **more) -> Side:
    row = kept(id_, trap=10 * accel_mps2, peak=10 * accel_mps2, outbound=outbound, setup=setup or {}, **more)
    return Side(row, driven(accel_mps2, outbound=outbound))


def validated(found: Comparison) -> dict:
    told = found.as_json()
    jsonschema.Draft202012Validator(SCHEMA).validate(told)
    return json.loads(json.dumps(told, allow_nan=False))


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_only_what_differs_in_the_setup_is_named() -> None:
    one = {"tyre": "soft", "wheel_diameter": "88 mm", "current_limit": "280 A", "gear_ratio": 1.0}
    other = {
        "current_limit": "320 A",
        "tyre": "soft",
        "wheel_diameter": "8.8 cm",
        "gear_ratio": 1.0,
        "ramp": "1.2 s",
    }
    found = comparison([side(1, 8.0, one), side(2, 8.1, other)])
    assert [(item.key, item.values) for item in found.setup] == [
        ("current_limit", ("280 A", "320 A")), ("ramp", ("", "1.2 s")),
    ]  # fmt: skip


def test_weather_and_what_was_measured_stand_apart() -> None:
    air = {"temperature": "20 °C"}
    one = side(1, 8.0, weather={"wind": "3 m/s from 250"} | air, measured={"motor_temp_after": "60 °C"})
    found = comparison([one, side(2, 8.0, weather={"wind": "5 m/s from 250"} | air)])
    assert [item.key for item in found.conditions] == ["wind", "motor_temp_after"]


def test_gains_at_the_marks_in_closed_form() -> None:
    """From the launch at 3 m/s: v² = 9 + 2 a d, for 8 and 10 m/s², in opposite directions."""
    found = comparison([side(1, 8.0), side(2, 10.0, outbound=False)])
    assert found.origin == "launch" and [mark.distance_m for mark in found.marks][:3] == [50.0, 100.0, 150.0]
    mark = next(mark for mark in found.marks if mark.distance_m == 200.0)
    one, other = (9 + 2 * 8 * 200) ** 0.5, (9 + 2 * 10 * 200) ** 0.5
    assert [speed.mps for speed in mark.speeds] == [
        pytest.approx(one, abs=0.02),
        pytest.approx(other, abs=0.02),
    ]
    (gain,) = mark.gains
    assert gain.mps == pytest.approx(other - one, abs=0.03) and gain.beyond is True
    assert mark.times_s == (pytest.approx((one - 3) / 8, abs=0.01), pytest.approx((other - 3) / 10, abs=0.01))


def test_launches_to_round_speeds_of_the_unit() -> None:
    """80 m/s are 288 km/h, 100 m/s 360: to 100 and 200 both, to 300 only the second."""
    found = comparison([side(1, 8.0), side(2, 10.0)], "km/h")
    assert [round(row.speed_mps * 3.6) for row in found.launch] == [100, 200, 300]
    assert found.launch[2].by[0] is None and found.launch[2].by[1] is not None
    first = found.launch[0].by[0]
    assert first is not None and first.time_s == pytest.approx((100 / 3.6 - 3) / 8, abs=1e-6)


def test_figures_against_the_first() -> None:
    """0.5 m/s more, and 0.2 m/s of uncertainty each: √0.08 = 0.283."""
    one, two = side(1, 8.0), side(2, 8.05)
    found = comparison([one, two, side(3, 8.0)])
    trap = found.figures[0]
    assert trap.name == "trap" and trap.gains[0] is None
    assert (
        trap.gains[1] is not None and trap.gains[1].mps == pytest.approx(0.5) and trap.gains[1].beyond is True
    )
    assert trap.gains[1].u95_mps == pytest.approx(0.08**0.5)
    assert trap.gains[2] is not None and trap.gains[2].beyond is False
    assert found.figures[1].figures == (None, None, None)  # no estimate was kept of these
    told = validated(found)
    assert len(told["curves"]) == 3 and told["marks"][0]["gains"][1]["gain_mps"] == pytest.approx(
        0.0, abs=1e-9
    )


def test_a_pass_without_a_log_still_has_its_setup_and_figures() -> None:
    blank = Side(side(2, 8.2, {"tyre": "hard"}).row, None, "No log was kept of this pass.")
    found = comparison([side(1, 8.0, {"tyre": "soft"}), blank])
    assert (
        found.origin is None and found.no_curves == "Pass 2 has no speed curve: No log was kept of this pass."
    )
    assert [item.key for item in found.setup] == ["tyre"] and found.figures[0].gains[1] is not None
    assert validated(found)["marks"] == []


def test_nothing_in_common_is_said() -> None:
    """A log of the last metres only, by the peak a few metres on."""
    short = driven(8.0, starts_at_s=17.9, trap=False)
    found = comparison([side(1, 8.0), Side(side(2, 8.0).row, short)])
    assert (
        found.origin is None and "too little of launch, trap and fastest moment in common" in found.no_curves
    )


def test_the_unit_is_that_of_most_figures() -> None:
    rows = [replace(side(k, 8.0).row, trap_text=text) for k, text in enumerate(["180 mph", "181 mph"])]
    assert comparison([Side(row, None) for row in rows]).unit == "mph"
    assert comparison([Side(row, None) for row in rows], "m/s").unit == "m/s"


def test_kept_passes_are_reviewed_from_their_logs(kept_file: Path) -> None:
    with Logbook.open(kept_file, read_only=True) as book:
        found = read_comparison(book, ["1", "2026-08-22/2"])
        for names in (["1"], ["1"] * 7):
            with pytest.raises(SpeedlogError, match="2 to 6 passes can be compared"):
                read_comparison(book, names)
        with pytest.raises(SpeedlogError, match="with itself"):
            read_comparison(book, ["1", "2026-08-22/1"])
        with pytest.raises(SpeedlogError, match="no pass 99"):
            read_comparison(book, ["1", "99"])
    assert [(item.key, item.values) for item in found.setup] == [("current_limit", ("95 A", "125 A"))]
    assert "wind" in [item.key for item in found.conditions]
    told = validated(found)
    assert told["origin"] == "launch"
    # the figures say 160.0 and 170.2 mph: the curves, made without them, gain as much inside the traps
    inside = [mark for mark in found.marks if mark.distance_m in (500.0, 550.0)]
    assert all(mark.gains[0].mps / 0.44704 == pytest.approx(10.2, abs=1.5) for mark in inside)


@pytest.mark.parametrize(("metres", "drawn"), [(20.2, True), (19.9, False)])
def test_less_in_common_than_a_curve_needs(metres: float, drawn: bool) -> None:
    """20 m, in whole steps of 2 m; a sample is 0.18 m long there."""
    whole = side(1, 8.0)
    assert whole.found is not None and whole.found.trace is not None
    trace = whole.found.trace
    keep = trace.along_m <= 9 / 16 + metres + 1e-6  # from the launch
    short = replace(trace, **{
        name: getattr(trace, name)[keep]
        for name in ("time_s", "along_m", "speed_mps", "speed_low_mps", "speed_high_mps", "accel_mps2")
    })  # fmt: skip
    found = comparison([whole, Side(side(2, 8.0).row, replace(whole.found, trace=short))])
    assert (found.origin == "launch") is drawn
