"""All parts together: on the shipped meeting against its car, on broken logs, and as JSON."""

from __future__ import annotations

import json
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.demo import day, meeting, sample_folder
from speedlog.demo.car import ElectricDrive
from speedlog.results import Pass, Trace
from speedlog.results_car import CarPass
from speedlog.results_quantity import Quantity95, as_json
from speedlog.session import load_session
from speedlog.session.run import review_session
from speedlog.vehicle.earlier import Earlier
from speedlog.vehicle.facts import CarFacts, facts_of
from speedlog.vehicle.study import study
from tests.vehicle.simulated import FACTS, changed, simulated

DRIVES = {item.number: item for group in vars(day).values() if isinstance(group, tuple)
          for item in group if isinstance(item, day.Drive)}  # fmt: skip


@pytest.fixture(scope="module")
def studied() -> dict[int, CarPass]:
    """The passes of the meeting that have a controller's log, through the whole pipeline."""
    session = load_session(sample_folder() / "session.toml")
    entries = tuple(item for item in session.passes if any("controller" in path.name for path in item.logs))
    found: dict[int, CarPass] = {}
    before: list[Earlier] = []
    for item in review_session(replace(session, passes=entries)).reviews:
        facts = facts_of(item.entry.setup, item.entry.weather, item.entry.measured)
        found[item.entry.number] = study(item.drives[0], facts, before)
        before.append(Earlier(item.drives[0], facts, found[item.entry.number]))
    return found


def near(found: Quantity95 | None, true: float, times: float = 3.0) -> bool:
    """Within so many standard uncertainties: of some forty checks here, none is expected outside of three."""
    assert found is not None
    return abs(found.value - true) < times * found.standard_u


@pytest.mark.parametrize("number", [2, 8, 9, 10])
def test_the_meeting_s_own_car(studied: dict[int, CarPass], number: int) -> None:
    car, drive = studied[number], DRIVES[number]
    true = meeting.car_of(drive)
    engine = true.drive
    assert isinstance(engine, ElectricDrive)
    assert car.heat.current_of == "pack" and not car.heat.current_of_stated
    assert near(car.pack.resistance_ohm, engine.pack.resistance_ohm)
    assert near(car.pack.open_v, engine.pack.open_v) and near(
        car.pack.fall_v_per_ah, engine.pack.fall_v_per_ah
    )
    assert near(car.thermal.cooling_s, 140.0 * 0.5)  # meeting.drive_it: 140 J/K, 0.5 K/W
    assert car.tyre.told_apart
    assert near(car.tyre.growth_per_rpm2, true.tyre.growth / 20_000.0**2)
    assert car.tyre.slip is not None and 0.015 < car.tyre.slip.value < true.tyre.slip_at_limit
    assert near(car.heat.current_scale, 1.0)
    # the figure is corrected, and by less than the whole wind of 2.5 to 4.5 m/s
    assert car.still_air.of == "official" and car.still_air.equivalent_mps is not None
    assert abs(car.still_air.equivalent_mps.value - car.still_air.speed_mps.value) < 3.0  # type: ignore[union-attr]
    assert car.fix_loss.evidence == "none"  # the simulator's reception knows no motor
    assert car.cautions == ()
    assert len(car.not_checked) == 5


def test_passes_are_held_against_those_before(studied: dict[int, CarPass]) -> None:
    assert studied[2].heat.against_previous is None
    for one, other in ((2, 8), (8, 9), (9, 10)):
        first, second = studied[one].heat, studied[other].heat
        assert first.squared_logged_a2s and second.squared_logged_a2s and second.against_previous
        ratio = second.squared_logged_a2s.value / first.squared_logged_a2s.value
        assert second.against_previous.value == pytest.approx(ratio)


def test_as_json_is_plain_and_whole(studied: dict[int, CarPass]) -> None:
    found = json.loads(json.dumps(studied[9].as_json(), allow_nan=False))
    assert set(found) == {item.name for item in fields(CarPass)}
    quantity = found["pack"]["resistance_ohm"]
    assert set(quantity) == {"value", "interval95"}
    assert quantity["interval95"][0] < quantity["value"] < quantity["interval95"][1]
    assert (
        found["heat"]["why_not"]["over_motor_limit_s"] == "No limit of the motor's temperature was entered."
    )
    assert as_json(float("nan")) is None and as_json(np.float64(2.0)) == 2.0


def test_a_quantity_in_another_unit_keeps_its_order() -> None:
    assert Quantity95(2.0, 1.0, 4.0).scaled(-2.0) == Quantity95(-4.0, -8.0, -2.0)
    assert Quantity95.spread(1.0, 0.5).standard_u == pytest.approx(0.5)


ITEM = simulated(1)
NAMES = ("rpm", "current_a", "voltage_v", "motor_temp_c", "controller_temp_c", "throttle")
KINDS = st.sampled_from(
    ["as it is", "missing", "gone", "zero", "constant", "wild", "negative", "holes", "step"]
)


def spoiled(values: np.ndarray, kind: str, rng: np.random.Generator) -> np.ndarray:
    blank = np.full(len(values), np.nan)
    made = {
        "as it is": values, "missing": blank, "gone": blank, "zero": 0 * values, "constant": 0 * values + 12.5,
        "wild": rng.uniform(-2000, 2000, len(values)), "negative": -values,
        "holes": np.where(rng.random(len(values)) < 0.6, np.nan, values),
        "step": np.where(np.arange(len(values)) < len(values) // 2, 0.0, 100.0),
    }  # fmt: skip
    return np.asarray(made[kind])


def cut(pass_: Pass, first: float, last: float) -> Pass:
    """A pass of which the logs hold a part."""
    trace = pass_.trace
    assert trace is not None
    loggers = tuple(
        replace(
            item, time_s=item.time_s[rows], along_m=item.along_m[rows], across_m=item.across_m[rows],
            speed_mps=item.speed_mps[rows], used=item.used[rows],
            channels={name: values[rows] for name, values in item.channels.items()},
        )
        for item in trace.loggers
        for rows in [(item.time_s >= first) & (item.time_s <= last)]
    )  # fmt: skip
    rows = (trace.time_s >= first) & (trace.time_s <= last)
    arrays = {
        name: getattr(trace, name)[rows]
        for name in ("time_s", "along_m", "speed_mps", "speed_low_mps", "speed_high_mps", "accel_mps2")
    }
    return replace(pass_, trace=Trace(**arrays, loggers=loggers))


@settings(max_examples=120, deadline=None)
@given(kinds=st.tuples(*[KINDS] * 6), seed=st.integers(0, 9), first=st.floats(0, 14), length=st.floats(0.0, 25.0),
       known=st.booleans())  # fmt: skip
def test_no_log_is_too_broken(kinds, seed: int, first: float, length: float, known: bool) -> None:
    """Whatever a log holds, every quantity is in order and finite, or it is said why there is none."""
    rng = np.random.default_rng(seed)
    trace = ITEM.pass_.trace
    assert trace is not None
    wheel = trace.loggers[1].channels
    pass_ = changed(
        ITEM, **{name: spoiled(wheel[name], kind, rng) for name, kind in zip(NAMES, kinds, strict=True)}
    )
    facts = (
        replace(FACTS, motor_kv=505.0, motor_temp_after_c=50.0, charge_put_back_ah=0.4)
        if known
        else CarFacts()
    )
    car = study(cut(pass_, first, first + length) if length < 20 else pass_, facts)
    json.dumps(car.as_json(), allow_nan=False)
    for part in (car.heat, car.thermal, car.pack, car.tyre, car.still_air, car.heat.ramp):
        quantities = [getattr(part, item.name) for item in fields(part)]
        told = [value for value in quantities if isinstance(value, Quantity95)]
        assert all(np.isfinite([value.low, value.value, value.high]).all() for value in told)
        assert all(value.low <= value.value <= value.high for value in told)
        assert told or part.why_not
