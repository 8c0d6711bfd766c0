"""The fitted car against the simulator: its numbers found again, the pass it never saw forecast.

The simulator (`speedlog.demo`) has its own equations. Twenty days are drawn here; the benchmark
`python -m tests.benchmarks.run forecast` draws two hundred.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from speedlog.errors import SpeedlogError
from speedlog.results_quantity import Quantity95
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import Car
from speedlog.vehicle.fit import Fitted, fit, throttle_shape
from speedlog.vehicle.fit_problem import likeliest, logged_over_true
from speedlog.vehicle.forecast import drawn_cars, forecast, held_by_voltage
from speedlog.vehicle.observed import Channel, Observed, observe
from speedlog.vehicle.plan import Known, Plan
from speedlog.vehicle.simulate import LIMITS
from tests.benchmarks.forecast import Outcome, fitted_day, last_plan, outcome
from tests.benchmarks.forecast_days import drawn_day

SETTINGS = ForecastSettings()
QUICK = replace(SETTINGS, fit_step_s=0.2, settled=1e-3)  # twice as quick; the benchmark runs as users do
DAYS = 20


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return [outcome(seed, QUICK) for seed in range(DAYS)]


@pytest.mark.parametrize("name", ["drag_area_m2", "pack_ohm", "winding_ohm", "growth", "friction", "mass_kg"])
def test_true_numbers_lie_inside_their_intervals(outcomes: list[Outcome], name: str) -> None:
    """Of 20 at 95 %, fewer than 16 happen once in 400 draws (binomial)."""
    assert sum(item.held[name] for item in outcomes) >= 16


def test_the_unseen_pass_is_forecast(outcomes: list[Outcome]) -> None:
    """More current, another wheel, another run-up: within 1 % in the median, inside its interval."""
    assert np.median([abs(item.error) for item in outcomes]) < 0.01
    assert sum(item.held["forecast"] for item in outcomes) >= 16


def test_logs_narrow_what_they_can(outcomes: list[Outcome]) -> None:
    """Drag area to a few percent; a rolling resistance that a pass at speed hardly shows is left wide."""
    drag = np.median([item.relative_u["drag_area_m2"] for item in outcomes])
    rolling = np.median([item.relative_u["rolling"] for item in outcomes])
    assert drag < 0.04 < 0.15 < rolling


def test_no_passes_are_refused() -> None:
    with pytest.raises(SpeedlogError, match="no pass with a run-up"):
        fit(Car(), [], SETTINGS)


@pytest.fixture(scope="module")
def day():  # of the benchmarks
    return drawn_day(3)


def test_a_pass_without_a_controller_still_fits(day) -> None:
    """GNSS alone: speeds are met, and what only currents tell stays as wide as before."""
    first = day.passes[0]
    trace = first.found.trace
    bare = replace(first.found, trace=replace(trace, loggers=trace.loggers[:1]))
    seen = observe(bare, first.facts, SETTINGS)
    assert seen is not None and seen.throttle is None and {item.kind for item in seen.channels} == {"speed"}
    found = fit(Car(), [seen], SETTINGS)
    assert found.passes[0].misfit_mps < 0.25
    assert found.learned_share("pack_ohm") < 0.05
    with_log = fit(Car(), [observe(first.found, first.facts, SETTINGS)], SETTINGS)
    assert with_log.learned_share("pack_ohm") > 0.5


def test_what_nobody_said_is_named(day) -> None:
    first = day.passes[0]
    bare = replace(
        first.facts, mass_kg=None, current_of=None, wind_speed_mps=None, temperature_k=None, pressure_pa=None
    )
    seen = observe(first.found, bare, SETTINGS)
    assert seen is not None and set(seen.assumed) == {"mass", "current_of_pack", "wind", "weather"}
    assert seen.head_u_mps == SETTINGS.wind_unknown_mps


def test_launch_and_lift_are_found(day) -> None:
    for item in day.passes:
        seen = observe(item.found, item.facts, SETTINGS)
        assert seen is not None
        off = float(item.truth.time_s[0])
        assert -0.1 <= seen.start_s + off <= 0.15  # the log counts 20 rows a second
        assert item.truth.lift_s - 0.06 <= seen.lift_s + off <= item.truth.lift_s


def test_the_drivers_squeeze_is_learned(day) -> None:
    """The simulated driver opens as 3 s² - 2 s³; the logs' rows are 50 ms apart, and begin up to 0.1 s late."""
    shape = throttle_shape([observe(item.found, item.facts, SETTINGS) for item in day.passes])
    assert shape is not None and len(shape) == 21
    s = np.linspace(0, 1, 21)
    assert np.abs(np.array(shape) - s * s * (3 - 2 * s)).max() < 0.15


@pytest.mark.parametrize("seed", [9])
def test_a_descent_from_the_wrong_side_is_begun_again(seed: int) -> None:
    """A day of which the first start alone ends in another valley, its readings far off."""
    found = outcome(seed, QUICK)
    assert not found.missed and abs(found.error) < 0.01
    assert sum(found.held.values()) >= 10  # of 12 numbers at 95 %


@pytest.fixture(scope="module")
def near_the_limit() -> tuple[Fitted, Known, Plan, float]:
    """A day whose third pass ends near the voltage limit, and whose fourth would go on beyond it."""
    other = drawn_day(2036)
    fitted, known = fitted_day(other, QUICK)
    return fitted, known, last_plan(other), other.passes[3].truth.trap_mps


def test_a_limit_that_no_pass_met_is_known_to_one_side_only(
    near_the_limit: tuple[Fitted, Known, Plan, float],
) -> None:
    """The slope at the turn to the voltage limit would have Kv known to both sides, and the truth 10 sigmas off."""
    fitted, known, plan, true_mps = near_the_limit
    assert not any((item.which == LIMITS.index("voltage")).any() for item in fitted.passes)
    told = forecast(known, plan, SETTINGS)
    assert told.trap_mps is not None and told.voltage_share > 0.5
    assert told.trap_mps.low < true_mps < told.trap_mps.high
    assert told.trap_mps.high - told.trap_mps.value > 2 * (told.trap_mps.value - told.trap_mps.low)


def test_no_draw_contradicts_what_was_driven(near_the_limit: tuple[Fitted, Known, Plan, float]) -> None:
    """Of draws to both sides many would have been held by the voltage where no pass was; of those taken few are."""
    fitted = near_the_limit[0]
    taken = drawn_cars(fitted, 160)[1:] - fitted.scaled
    both = np.vstack([taken[:80], -taken[:80]])
    assert held_by_voltage(fitted, both).mean() > 0.2 > 0.05 > held_by_voltage(fitted, taken).mean()


def test_one_start_alone_misses_the_car_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("speedlog.vehicle.fit._STARTS", ({"friction": 1.0, "motor_limit_a": -0.5},))
    assert outcome(9, QUICK).missed


@pytest.mark.parametrize(
    ("chi2", "rms", "noise", "missed"),
    [
        (2.4, 0.19, 0.0, False), (2.6, 0.19, 0.0, True), (1.0, 0.21, 0.0, True),
        (1.0, 0.21, 0.071, False), (1.0, 0.21, 0.069, True), (float("nan"), 0.1, 0.1, True),
    ],
)  # fmt: skip
def test_a_miss_is_more_than_noise(chi2: float, rms: float, noise: float, missed: bool) -> None:
    """Both sides of most_misfit (2.5), most_misfit_mps (0.2) and most_misfit_sd (3)."""
    run = SimpleNamespace(misfit_mps=rms, observed=SimpleNamespace(speed_sd_mps=noise))
    fitted = SimpleNamespace(misfit=chi2, passes=(run,))
    assert Fitted.missed(cast(Fitted, fitted), SETTINGS) == missed


def test_the_charge_put_back_tells_the_currents_scale() -> None:
    """By hand: 1 ± 0.05 as sold, 1.04 ± 0.03 by charge; weights 400 and 1202 (the ratio's u is 0.03 / 1.04)."""
    none = cast(Observed, SimpleNamespace(by_charge=None))
    told = cast(Observed, SimpleNamespace(by_charge=Quantity95.spread(1.04, 0.03)))
    assert logged_over_true([none, none]) == (0.0, 0.05)
    middle, u = logged_over_true([none, told, told])  # one charger: twice tells no more than once
    own = (0.03 / 1.04) ** -2
    assert middle == pytest.approx(-np.log(1.04) * own / (own + 400)) and u == pytest.approx(
        (own + 400) ** -0.5
    )


def test_a_charge_put_back_is_read_beside_the_log(day) -> None:
    first = day.passes[0]
    assert observe(first.found, first.facts, SETTINGS).by_charge is None
    step, amps = np.diff(first.truth.slow_s), first.truth.pack_current_a
    true_ah = float(amps[:-1] @ step) / 3600
    seen = observe(first.found, replace(first.facts, charge_put_back_ah=true_ah), SETTINGS)
    assert seen.by_charge.low < 1 / np.exp(day.current_off) < seen.by_charge.high
    motor = replace(first.facts, charge_put_back_ah=true_ah, current_of="motor")
    assert observe(first.found, motor, SETTINGS).by_charge is None


def test_noise_is_told_from_slow_error() -> None:
    rng = np.random.default_rng(4)
    time = np.arange(150) * 0.1
    ones = np.ones(150)
    channel = Channel("speed", time, 0 * time, 0.05 * ones, 0.06 * ones, 8.0)
    white = [0.1 * rng.standard_normal(150) for _ in range(4)]
    assert likeliest([(channel, off) for off in white], SETTINGS) == (
        2.0,
        0.15,
    )  # twice the noise, no slow error
    slow = np.linalg.inv(channel.whitener(1.0, 5.0))
    both = [slow @ rng.standard_normal(150) for _ in range(4)]
    found = likeliest([(channel, off) for off in both], SETTINGS)
    assert found[0] in (0.85, 1.0, 1.2) and found[1] in (2.5, 5.0, 10.0)


def test_a_whitener_makes_its_covariance_one() -> None:
    channel = Channel("speed", np.array([0.0, 0.5, 2.0]), np.zeros(3), np.full(3, 0.1), np.full(3, 0.2), 3.0)
    w = channel.whitener()
    by_hand = 0.04 * np.exp(-np.array([[0, 0.5, 2], [0.5, 0, 1.5], [2, 1.5, 0]]) / 3) + 0.01 * np.eye(3)
    assert w @ by_hand @ w.T == pytest.approx(np.eye(3), abs=1e-12)


def test_a_car_without_passes_is_only_its_file() -> None:
    assert Known(Car()).fitted is None
