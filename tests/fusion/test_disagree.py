"""Two loggers that differ: where, by how much, who is wrong, and nothing where they agree. Passes in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.fusion.disagree import Apart, Odds, blame, furthest_apart, odds, sure
from speedlog.fusion.measure import GnssSource, WheelSource
from speedlog.fusion.settle import Settled, settle
from speedlog.settings import FusionSettings
from tests.fusion.conftest import make_pass

SETTINGS = FusionSettings()
START_S, END_S = 9.0, 12.0
BEAMS = (360.0, 390.0)  # of conftest's pass: entered at 11.5 s


def hump(time_s: np.ndarray, size_mps: float) -> np.ndarray:
    """Up over half a second, level, and down again."""
    inside = np.minimum(time_s - START_S, END_S - time_s)
    return size_mps * np.sin(np.pi / 2 * np.clip(inside / 0.5, 0, 1)) ** 2


def off(source: GnssSource, size_mps: float) -> GnssSource:
    return replace(source, speed_mps=source.speed_mps + hump(source.time_s, size_mps))


def pair(size_mps: float = 0.0, rate_hz: float = 25.0) -> list[GnssSource]:
    return [off(make_pass(1, rate_hz=rate_hz).source, size_mps), make_pass(2, rate_hz=rate_hz).source]


def settled(gnss: list[GnssSource]) -> Settled:
    found = settle(gnss, [], BEAMS, SETTINGS)
    assert found is not None
    return found


@pytest.mark.parametrize("size_mps", [1.2, -1.2, 4.0])
@pytest.mark.parametrize("rate_hz", [10.0, 25.0])
def test_a_hump_is_found_where_it_was_put_and_laid_at_the_right_door(size_mps: float, rate_hz: float) -> None:
    gnss = pair(size_mps, rate_hz)
    apart = furthest_apart(settled(gnss), SETTINGS)
    assert apart is not None and not apart.all_along
    assert (apart.one, apart.other) == (0, 1)
    # two bins of 0.2 s: one is added on each side, edges fade out
    assert apart.start_s == pytest.approx(START_S, abs=0.4) and apart.end_s == pytest.approx(END_S, abs=0.4)
    assert apart.size_mps == pytest.approx(size_mps, rel=0.2)
    told = odds(apart, gnss, [], BEAMS, SETTINGS)
    assert told.told > SETTINGS.apart_odds and told.places_too[0] is False
    swapped = replace(apart, one=1, other=0, offset_mps=-apart.offset_mps, size_mps=-apart.size_mps)
    assert odds(swapped, gnss, [], BEAMS, SETTINGS).told == pytest.approx(-told.told, rel=1e-6)


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 25.0])
def test_sound_loggers_agree(rate_hz: float) -> None:
    for seed in range(1, 9, 2):
        gnss = [make_pass(seed, rate_hz=rate_hz).source, make_pass(seed + 1, rate_hz=10.0).source]
        assert furthest_apart(settled(gnss), SETTINGS) is None
    assert furthest_apart(settled(gnss[:1]), SETTINGS) is None


def test_both_sides_of_the_least_difference_and_of_the_slowest_logger() -> None:
    found = settled(pair(1.5, 10.0))
    assert furthest_apart(found, SETTINGS) is not None
    assert furthest_apart(found, replace(SETTINGS, apart_least_mps=1.7)) is None
    assert furthest_apart(found, replace(SETTINGS, apart_slowest_s=0.09)) is None
    assert furthest_apart(found, replace(SETTINGS, apart_slowest_s=0.11)) is not None


@pytest.mark.parametrize("share", [0.012, -0.012])
def test_a_share_of_the_speed_all_along(share: float) -> None:
    """Top speed 80 m/s (8 m/s² for 10 s): 1.2 % of it is 0.96 m/s."""
    one, other = pair()
    one = replace(one, speed_mps=one.speed_mps * (1 + share))
    apart = furthest_apart(settled([other, one]), SETTINGS)
    assert apart is not None and apart.all_along
    assert apart.size_mps == pytest.approx(-80.0 * share, abs=0.15)
    assert apart.start_s < 4.5 and apart.end_s > 18.0  # from a tenth of the top speed to a tenth of it
    told = odds(apart, [other, one], [], BEAMS, SETTINGS)
    assert told.told < -SETTINGS.apart_odds
    none = replace(SETTINGS, apart_all_along_mps=1.2)
    found = furthest_apart(settled([other, one]), none)
    assert found is None or not found.all_along


def test_a_lagging_logger_beside_a_prompt_one_is_no_disagreement() -> None:
    one, other = pair()
    late = np.interp(one.time_s - 0.3, one.time_s, one.speed_mps)
    found = settled([replace(one, speed_mps=late, speed_delay_s=0.29), other])
    assert furthest_apart(found, SETTINGS) is None


def test_places_that_go_by_the_wrong_speed_do_not_count_against_the_other() -> None:
    """A log that agrees with itself: both loggers then stand against each other alone."""
    one, other = pair(2.0)
    more = hump(one.time_s, 2.0)
    gone = np.concatenate([[0.0], np.cumsum(np.diff(one.time_s) * (more[1:] + more[:-1]) / 2)])
    one = replace(one, travel_m=one.travel_m + gone)
    apart = furthest_apart(settled([one, other]), SETTINGS)
    assert apart is not None
    told = odds(apart, [one, other], [], BEAMS, SETTINGS)
    alone = odds(apart, [one, other], [], BEAMS, replace(SETTINGS, apart_places_too=1e-300))
    assert told.places_too == (True, True)
    assert abs(told.told) < abs(alone.told)


def apart_of(size_mps: float = 2.0, all_along: bool = False) -> Apart:
    time = np.arange(START_S, END_S, 0.2)
    return Apart(0, 1, START_S, END_S, size_mps, time, np.full(len(time), size_mps), all_along)


def test_the_detail_says_who_speaks_against_it_and_no_more() -> None:
    one, other = pair(2.0)
    third, made = make_pass(3).source, make_pass()
    names = ["a.nmea", "b.csv", "c.gpx"]
    wheel = WheelSource(made.true_time_s[::20], made.true_speed_mps[::20], 1.0, 0.0, 0.0, 0.01)
    spoken = blame(apart_of(), names[:2], 0, [one, other], [], SETTINGS)
    assert (
        spoken == "a speed 2.0 m/s above the other's for 3.00 s: b.csv and its own positions speak against it"
    )
    spoken = blame(apart_of(), names, 0, [one, other, third], [wheel], SETTINGS)
    assert spoken.endswith(": b.csv, its own positions, c.gpx and the wheels speak against it")
    # turned round, neither places nor wheels nor the third logger speak against the sound one
    spoken = blame(apart_of(), names, 1, [one, other, third], [wheel], SETTINGS)
    assert (
        spoken == "a speed 2.0 m/s below the other's for 3.00 s: a.nmea and how a car moves speak against it"
    )
    spoken = blame(apart_of(0.8, True), names[:2], 0, [one, other], [], SETTINGS)
    assert spoken.startswith("a speed 1.0 % above the other's all along: ")


def test_odds_that_nothing_measured_bears_out_must_be_overwhelming() -> None:
    gnss = pair(2.0)
    by_places = [Odds(SETTINGS.apart_odds + by, (False, True)) for by in (-0.1, 0.1)]
    assert [sure(apart_of(), told, gnss, [], SETTINGS) for told in by_places] == [False, True]
    # that the other is wrong, nothing bears out: its positions go with its speeds
    alone = [Odds(-SETTINGS.apart_alone_odds - by, (False, True)) for by in (-0.1, 0.1)]
    assert [sure(apart_of(), told, gnss, [], SETTINGS) for told in alone] == [False, True]


def test_a_stretch_holds_what_the_logger_shows_of_it() -> None:
    source = replace(make_pass().source, speed_delay_s=0.2)
    held = source.time_s[apart_of().holds(source)]
    assert held.min() == pytest.approx(START_S + 0.2, abs=0.04)
    assert held.max() == pytest.approx(END_S + 0.2, abs=0.04)
