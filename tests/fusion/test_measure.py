"""Noise told from the data; what a wheel log says of the car's speed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.fusion.measure import WheelSource, driven, measure_noise, third_difference_sd, used_by
from speedlog.settings import FusionSettings
from tests.fusion.conftest import make_pass

SETTINGS = FusionSettings()


@pytest.mark.parametrize("sd", [0.03, 0.15])
def test_third_differences_tell_white_noise(sd: float) -> None:
    """The third difference of white noise has 1 + 9 + 9 + 1 = 20 times its variance."""
    rng = np.random.default_rng(4)
    t = np.arange(4000) * 0.04
    found, count = third_difference_sd(40 + 3 * t - 0.05 * t**2 + rng.normal(0, sd, 4000), t, 0.04)
    assert count == 3997
    assert found == pytest.approx(sd, rel=0.08)  # a median of 4000 overlapping values: about 2.5 % sd


def test_a_slow_log_can_not_tell_its_noise() -> None:
    t = np.arange(60.0)
    assert third_difference_sd(t * 0.5, t, 1.0)[1] == 0
    assert measure_noise(make_pass(rate_hz=1.0).source, SETTINGS).speed_mps == SETTINGS.speed_noise_mps


def test_holes_do_not_count() -> None:
    """Each hole spoils the differences across it; eight sound ones are the least that tell."""
    rng = np.random.default_rng(4)
    for sound, wanted in ((10, 0), (11, 8)):
        t = np.arange(60) * 0.04
        holes = np.concatenate([t[:sound], t[sound:] + np.arange(1, 61 - sound) * 0.1])
        assert third_difference_sd(rng.normal(0, 1, 60), holes, 0.04)[1] == wanted


def test_a_log_with_nothing_but_holes_tells_no_noise() -> None:
    t = np.delete(np.arange(200), np.arange(3, 200, 4)) * 0.04  # every fourth missing: no four in a row
    assert third_difference_sd(np.random.default_rng(4).normal(0, 1, 150), t, 0.04)[1] == 0


def test_standing_still_does_not_count() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(200) * 0.04
    value = np.where(np.arange(200) < 120, 0.0, rng.normal(0, 0.1, 200))
    found, _ = third_difference_sd(value, t, 0.04)
    assert found == pytest.approx(0.1, rel=0.3)


@pytest.mark.parametrize(("speed_sd", "place_sd"), [(0.04, 0.03), (0.14, 0.10)])
def test_noise_of_a_pass_is_found(speed_sd: float, place_sd: float) -> None:
    """Against what was put in; the default counts for 8 epochs of some 400, a lift for a few more."""
    found = [measure_noise(make_pass(seed, 25, speed_sd, place_sd).source, SETTINGS) for seed in range(8)]
    assert np.mean([noise.speed_mps for noise in found]) == pytest.approx(speed_sd, rel=0.15)
    assert np.mean([noise.place_m for noise in found]) == pytest.approx(place_sd, rel=0.25)
    # put in: 0.02 m a step at 25 Hz = 0.01 m²/s
    assert np.mean([noise.place_drift_m2_s for noise in found]) == pytest.approx(0.01, rel=0.6)


def test_wander_is_taken_off_the_noise() -> None:
    """Put in: 0.02 m of noise, steps of 0.02 m of wander: a difference has 2 * 0.02² + 0.02², the noise its 2/3."""
    found = [measure_noise(make_pass(seed, place_sd=0.02).source, SETTINGS).place_m for seed in range(12)]
    assert np.mean(found) == pytest.approx(0.02, rel=0.1)


def test_without_both_the_places_alone_tell_their_noise() -> None:
    source = make_pass(place_sd=0.08).source
    alone = replace(source, speed_ok=np.zeros(len(source.time_s), dtype=bool))
    noise = measure_noise(alone, SETTINGS)
    # the wander's steps of 0.02 m are seen too: third differences of a walk, 1 + 4 + 1 = 6 of its variance
    assert noise.place_m == pytest.approx(np.sqrt(0.08**2 + 0.02**2 * 6 / 20), rel=0.15)
    assert noise.speed_mps == SETTINGS.speed_noise_mps


def test_distance_by_a_filtered_speed_is_undone_exactly() -> None:
    """u = a (t - T) + a T exp(-t/T) is a first-order filter's answer to a ramp a t; the distance is a t²/2."""
    t, a, constant = np.linspace(0, 3, 3001), 8.0, 0.3
    u = a * (t - constant) + a * constant * np.exp(-t / constant)
    ok = np.ones(len(t), dtype=bool)
    source = replace(
        make_pass().source,
        time_s=t,
        travel_m=a * t**2 / 2,
        speed_mps=u,
        place_ok=ok,
        speed_ok=ok,
        speed_filter_s=0.3,
    )
    np.testing.assert_allclose(driven(source, ok), a * t**2 / 2, atol=1e-4)


def test_distance_by_a_delayed_speed() -> None:
    """A speed d late is read d ahead: of a ramp a t from 0 the distance is a t²/2, but for the last d seconds."""
    t, a, delay = np.linspace(0, 3, 3001), 8.0, 0.25
    ok = np.ones(len(t), dtype=bool)
    source = replace(
        make_pass().source, time_s=t, travel_m=a * t**2 / 2, speed_mps=a * (t - delay), place_ok=ok, speed_ok=ok,
        speed_delay_s=delay,
    )  # fmt: skip
    inside = t < 3 - delay
    np.testing.assert_allclose(driven(source, ok)[inside], (a * t**2 / 2)[inside], atol=1e-9)
    assert source.speed_lag_s == delay


WHEEL = WheelSource(np.arange(3.0), np.array([10.0, 50.0, 100.0]), 1.02, 1e-6, -0.001, 0.0)


def test_speed_of_a_wheel_is_its_equation() -> None:
    """tread (scale + growth tread²) + slip tread grip, grip = (a + r + k v²) / (1 + c v²), at 50 m/s, 5 m/s²."""
    grip = (5 + SETTINGS.rolling_mps2 + SETTINGS.drag_per_m * 2500) / (1 + SETTINGS.downforce_per_m2 * 2500)
    wanted = 50 * (1.02 + 1e-6 * 2500) - 0.001 * 50 * grip
    assert WHEEL.speed_of(WHEEL.tread_mps, 5.0, SETTINGS)[1] == pytest.approx(wanted, rel=1e-12)


def test_what_was_taken_in_is_left_of_nothing() -> None:
    """Constants moved into the source must change the speed as they were said to: v (1 + scale + growth (w/top)²)
    + slip, to the first order; and what is left of them has the opposite sign."""
    small = np.array([1e-5, 2e-5, 3e-6, 0.004])
    moved = WHEEL.moved(small)
    tread, top = WHEEL.tread_mps, 100.0
    before = WHEEL.speed_of(tread, 4.0, SETTINGS)
    free = WHEEL.speed_of(tread, 0.0, SETTINGS)
    used = used_by(tread, 4.0, SETTINGS)
    said = before + free * (1e-5 + 2e-5 * (tread / top) ** 2) + 1.02 * 3e-6 * tread * used
    np.testing.assert_allclose(moved.speed_of(tread, 4.0, SETTINGS), said, rtol=1e-6)
    np.testing.assert_allclose(moved.time_s, WHEEL.time_s + 0.004)
    mean, sd = moved.constants_before(SETTINGS)
    first, _ = WHEEL.constants_before(SETTINGS)
    np.testing.assert_allclose(mean - first, -small, rtol=0.02)
    assert sd[3] == SETTINGS.wheel_clock_sd_s
    # taken in twice, the prior is still round what stood at first
    np.testing.assert_allclose(
        moved.moved(small).constants_before(SETTINGS)[0] - first, -2 * small, rtol=0.02
    )


def test_a_wheel_of_more_slip_wanders_more() -> None:
    calm = replace(WHEEL, slip_s2_m=0.0, growth_s2_m2=0.0)
    assert calm.wander(SETTINGS) == SETTINGS.wheel_wander_sd
    # by hand: at 50 to 100 m/s, evenly gained, growth of 1e-6 s²/m² spreads the scale as v² is spread:
    # sd of u² for u even in [a, b] is √((b⁵ - a⁵)/5(b - a) - ((b³ - a³)/3(b - a))²), over the scale
    tread = np.linspace(50.0, 100.0, 4001)
    grown = replace(WHEEL, slip_s2_m=0.0, tread_mps=tread, time_s=tread / 5.0)
    spread = np.sqrt((100**5 - 50**5) / 250 - ((100**3 - 50**3) / 150) ** 2) * 1e-6 / 1.02
    share = SETTINGS.wheel_wander_share
    assert grown.wander(SETTINGS) == pytest.approx(np.hypot(0.004, share * spread), rel=1e-3)
    # the same growth where the speed stays: it stands for scale, and explains nothing
    steady = replace(grown, tread_mps=np.full(4001, 80.0))
    assert steady.wander(SETTINGS) == pytest.approx(SETTINGS.wheel_wander_sd, rel=1e-9)
