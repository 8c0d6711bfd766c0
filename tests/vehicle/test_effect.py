"""The effect of a change: Welch against published examples and scipy, the exact permutation by hand."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from speedlog.results_car import CarPass, Heat, StillAir
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle.effect import FIGURES, Corrected, corrected, effect_of, permutation_p, welch

S = VehicleSettings()
A, B = (97.1, 97.9, 97.4), (98.6, 99.2, 98.3, 98.9)  # references.md, topic 13: an invented few-pass case


def told(one, two, **more):
    sides = ([Corrected(value, u) for value, u in side] for side in (one, two))
    return effect_of("speed", "m/s", "current_limit", ("280 A", "320 A"), *sides, S, **more)


def plain(values, u=0.0):
    return [(value, u) for value in values]


def test_nist_sematech_example() -> None:
    # e-Handbook 1.3.5.3, AUTO83B: unequal variances T = -12.94627, 136.8750 degrees of freedom (sample 1 less 2)
    found = welch(79, 30.48101, 6.10771, 249, 20.14458, 6.41470)
    assert found.t == pytest.approx(-12.94627, abs=1e-5)
    assert found.freedom == pytest.approx(136.8750, abs=1e-3)


def test_a_library_s_published_example() -> None:
    # NAG g07ca: n 4, 25.00, 0.8185; n 8, 21.00, 4.208: t 2.5922, df 7.9925, p 0.0320, 95 % (0.4410, 7.5590)
    found = welch(8, 21.00, 4.208, 4, 25.00, 0.8185)
    assert (found.t, found.freedom) == (pytest.approx(2.5922, abs=5e-4), pytest.approx(7.9925, abs=5e-4))
    assert (found.p_value, found.low, found.high) == (
        pytest.approx(0.0320, abs=5e-4), pytest.approx(0.4410, abs=5e-4), pytest.approx(7.5590, abs=5e-4)
    )  # fmt: skip


@pytest.mark.parametrize("sizes", [(2, 2), (3, 4), (10, 5)])
def test_against_scipy(sizes) -> None:
    rng = np.random.default_rng(sizes[0])
    one, two = rng.normal(90, 1, sizes[0]), rng.normal(91, 2, sizes[1])
    found, other = told(plain(one), plain(two)), stats.ttest_ind(two, one, equal_var=False)
    interval = other.confidence_interval(0.95)
    assert found.difference is not None
    assert found.t == pytest.approx(other.statistic) and found.p_value == pytest.approx(other.pvalue)
    assert found.freedom == pytest.approx(other.df)
    assert found.difference.interval95 == (pytest.approx(interval.low), pytest.approx(interval.high))


def test_the_few_pass_case() -> None:
    # references.md, topic 13: difference 1.283333, t 4.232303, df 4.333386, p 0.011243, 95 % (0.466389, 2.100278);
    # exact permutation p 0.057143 = 2 / 35, the least it can be
    found = told(plain(A), plain(B))
    assert found.difference is not None
    assert found.difference.value == pytest.approx(1.283333, abs=1e-6)
    assert found.difference.interval95 == (
        pytest.approx(0.466389, abs=1e-5),
        pytest.approx(2.100278, abs=1e-5),
    )
    assert found.p_value == pytest.approx(0.011243, abs=1e-6)
    assert found.permutation_p == found.least_permutation_p == pytest.approx(2 / 35)
    assert "3 passes before and 4 after are few" in found.text and "6 times in 100" in found.text


@pytest.mark.parametrize("sizes", [(3, 4), (5, 5)])
def test_permutation_against_scipy(sizes) -> None:
    rng = np.random.default_rng(9)
    one, two = rng.normal(0, 1, sizes[0]), rng.normal(0.7, 1, sizes[1])
    other = stats.permutation_test((two, one), lambda x, y: np.mean(x) - np.mean(y), n_resamples=np.inf)
    assert permutation_p(one, two, S) == pytest.approx(other.pvalue)


def test_drawn_orders_come_near_all_orders() -> None:
    rng = np.random.default_rng(10)
    one, two = rng.normal(0, 1, 6), rng.normal(0.8, 1, 6)
    few = VehicleSettings(effect_permutations=900)  # of 924
    assert permutation_p(one, two, few) == pytest.approx(permutation_p(one, two, S), abs=0.06)


def test_one_pass_on_a_side_has_no_scatter() -> None:
    found = told(plain(A), plain(B[:1]))
    assert found.difference is None and found.permutation_p is None
    assert "no scatter" in found.why_not["difference"] and "no scatter" in found.text
    none = told(plain(A), [])
    assert none.difference is None and math.isnan(none.mean_after) and none.why_not[""] == none.text


def test_own_uncertainty_is_the_least_that_counts() -> None:
    # three equal figures have no scatter, and still no better a mean than 0.3 / sqrt(3) on each side
    found = told(plain((97.0, 97.0, 97.0), 0.3), plain((98.0, 98.0, 98.0), 0.3))
    own = math.sqrt(2 * 0.3**2 / 3)
    assert found.own_u == pytest.approx(own)
    assert found.difference is not None
    assert found.difference.high - 1.0 == pytest.approx(stats.t.ppf(0.975, 4) * own)


def test_what_the_sides_do_not_share_widens() -> None:
    near, far = told(plain(A), plain(B)), told(plain(A), plain(B), not_shared_u=0.5)
    assert near.difference and far.difference
    half = 0.5 * (near.difference.high - near.difference.low)
    assert far.difference.high - far.difference.value == pytest.approx(math.hypot(half, 1.96 * 0.5))


def test_intervals_hold_what_they_promise() -> None:
    """3 against 4 passes, 2000 times: the true difference inside in 94 to 97 of 100 (Welch is a little shy or wide)."""
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(2000):
        one, two = rng.normal(0, 0.4, 3), rng.normal(1, 0.4, 4)
        found = welch(
            3, float(one.mean()), float(one.std(ddof=1)), 4, float(two.mean()), float(two.std(ddof=1))
        )
        inside += found.low <= 1 <= found.high
    assert 0.935 < inside / 2000 < 0.975


def test_nothing_waits_for_scipy_until_it_is_asked() -> None:
    code = "import sys, speedlog.vehicle.effect; print('scipy.stats' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_figures_of_a_pass() -> None:
    equivalent, heat = Quantity95.spread(86.0, 0.3), Quantity95.spread(2e5, 100.0)
    car = CarPass(1, heat=Heat(squared_logged_a2s=heat), still_air=StillAir(equivalent_mps=equivalent))
    speed = corrected(car, "speed")
    assert speed is not None and (speed.value, speed.own_u) == (86.0, pytest.approx(0.3))
    assert corrected(car, "heat") is not None and corrected(car, "sag") is None
    assert all(corrected(CarPass(1), figure) is None for figure in FIGURES)


def test_a_change_of_the_car_is_found_through_the_wind() -> None:
    """Two limits of current on a day whose wind turns: the equivalents show the change, the bare speeds hide half."""
    from dataclasses import replace

    from speedlog.demo.car import Air
    from speedlog.vehicle.study import study
    from tests.vehicle.simulated import CAR, FACTS, simulated

    winds = {200.0: (-3.0, -2.5, -3.5), 220.0: (2.0, 2.5, 3.0, 2.2)}  # tail before, head after
    sides: list[list[Corrected]] = []
    true, bare = [], []
    for limit, heads in winds.items():
        car = replace(CAR, drive=replace(CAR.drive, pack_limit_a=limit))
        true.append(simulated(1, car=car, air=Air(1.2255, 0.0)).truth.trap_mps)
        found = []
        for seed, head in enumerate(heads):
            item = simulated(seed, car=car, air=Air(1.195, head))
            facts = replace(FACTS, wind_speed_mps=abs(head), wind_side="head" if head > 0 else "tail")
            value = corrected(study(item.pass_, facts, (), VehicleSettings(car_height_m=2.0)), "speed")
            assert value is not None
            found.append(value)
        bare.append(
            float(np.mean([simulated(1, car=car, air=Air(1.195, head)).truth.trap_mps for head in heads]))
        )
        sides.append(found)
    effect = effect_of("speed", "m/s", "current_limit", ("200 A", "220 A"), sides[0], sides[1], S)
    assert effect.difference is not None
    assert effect.difference.low < true[1] - true[0] < effect.difference.high
    assert (
        abs(effect.difference.value - (true[1] - true[0]))
        < 0.3
        < abs(bare[1] - bare[0] - (true[1] - true[0]))
    )
