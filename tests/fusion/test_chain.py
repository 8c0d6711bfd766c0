"""The longest believable chain of readings, against a search through all chains."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from speedlog.fusion.chain import believable, longest_chain
from speedlog.fusion.measure import measure_noise
from speedlog.settings import FusionSettings
from tests.fusion.conftest import MadePass, make_pass

SETTINGS = FusionSettings()


def heaviest(time: np.ndarray, values: np.ndarray, limit: float, most: float) -> int:
    """Most readings in any sequence of unbroken runs of which each fits the one before; by trying all of them."""
    steps = np.abs(np.diff(values)) > limit + most * np.diff(time)
    edges = [0, *(np.flatnonzero(steps) + 1), len(values)]
    spans = [(edges[i], edges[i + 1]) for i in range(len(edges) - 1)]
    best = 0
    for count in range(1, len(spans) + 1):
        for chosen in combinations(spans, count):
            fits = all(
                abs(values[b[0]] - values[a[1] - 1]) <= limit + most * (time[b[0]] - time[a[1] - 1])
                for a, b in pairwise(chosen)
            )
            if fits:
                best = max(best, sum(b - a for a, b in chosen))
    return best


@given(st.lists(st.sampled_from([0.0, 0.4, 5.0, 5.3, 11.0]), min_size=3, max_size=9))
def test_no_other_chain_holds_more_readings(values: list[float]) -> None:
    value = np.array(values)
    time = np.arange(len(value)) * 0.1
    chosen = longest_chain(time, value, np.full(len(value), 1.0), 3.0)
    assert chosen.sum() == heaviest(time, value, 1.0, 3.0)


def test_both_sides_of_what_a_car_can_do() -> None:
    """By hand: 0.5 m/s allowed, 30 m/s² times 0.1 s: 3.5 m/s is a drive, 3.6 is none."""
    time = np.arange(9) * 0.1
    for step, wanted in ((3.49, 9), (3.6, 5)):
        value = np.where(np.arange(9) < 5, 40.0, 40.0 + step)
        assert longest_chain(time, value, np.full(9, 0.5), 30.0).sum() == wanted


def test_the_run_that_returns_is_kept_and_the_wild_one_is_not() -> None:
    time, value = np.arange(20) * 0.1, np.linspace(40, 44, 20)
    wild = value.copy()
    wild[8:11] += 60.0
    chosen = longest_chain(time, wild, np.full(20, 0.5), 30.0)
    assert np.flatnonzero(~chosen).tolist() == [8, 9, 10]
    assert longest_chain(time, value, np.full(20, 0.5), 30.0).all()


def test_too_few_or_nothing_but_jumps_is_left_as_it_is() -> None:
    assert longest_chain(np.array([0.0, 0.1]), np.array([0.0, 900.0]), np.ones(2), 1.0).all()
    jumps = np.tile([0.0, 500.0], 150)
    assert longest_chain(np.arange(300) * 0.1, jumps, np.ones(300), 1.0).all()


def test_speeds_and_places_of_a_pass(clean_pass: MadePass) -> None:
    """A run of speeds 25 m/s off and a place that jumps by 40 m for a second: both told, nothing else."""
    source = clean_pass.source
    noise = measure_noise(source, SETTINGS)
    speeds, places = believable(source, noise, SETTINGS)
    assert speeds.all() and places.all()
    speed, travel = source.speed_mps.copy(), source.travel_m.copy()
    speed[200:204] += 25.0
    travel[300:325] -= 40.0
    speeds, places = believable(replace(source, speed_mps=speed, travel_m=travel), noise, SETTINGS)
    assert np.flatnonzero(~speeds).tolist() == [200, 201, 202, 203]
    assert np.flatnonzero(~places).tolist() == list(range(300, 325))


def test_the_places_of_a_slow_log_follow_its_speeds_too() -> None:
    """1 Hz, 8 m/s²: by the speed at each second's end the places would fall 4 m behind every second; the mean fits."""
    source = make_pass(rate_hz=1.0).source
    sure = replace(SETTINGS, wild_step_m=0.5, wild_place_mps=0.5)
    speeds, places = believable(source, replace(measure_noise(source, sure), place_m=0.05), sure)
    moving = (source.time_s > 3) & (source.time_s < 11)
    assert places[moving].all() and speeds.all()


def test_without_two_speeds_all_places_are_believed(clean_pass: MadePass) -> None:
    none = np.zeros(len(clean_pass.source.time_s), dtype=bool)
    source = replace(clean_pass.source, speed_ok=none)
    speeds, places = believable(source, measure_noise(source, SETTINGS), SETTINGS)
    assert len(speeds) == 0 and places.all()
