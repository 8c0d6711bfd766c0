"""A logger whose speed comes late: how late, by what, and no lag where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from speedlog.fusion.estimate import estimate_motion
from speedlog.fusion.lag import speed_lag, without_lag
from speedlog.fusion.measure import driven
from speedlog.fusion.motion import Layout, dynamics
from speedlog.fusion.passage import trap_passage
from speedlog.settings import FusionSettings
from tests.fusion.conftest import MadePass, make_pass

SETTINGS = FusionSettings()


def late(made: MadePass, *, delay_s: float = 0.0, filter_s: float = 0.0, seed: int = 5) -> MadePass:
    """The same pass with the true speed delayed, or put through scipy's first-order filter at 1 kHz."""
    speed = np.interp(made.true_time_s - delay_s, made.true_time_s, made.true_speed_mps)
    if filter_s:
        keep = np.exp(-0.001 / filter_s)
        speed = lfilter([1 - keep], [1, -keep], speed)
    at = made.source.time_s
    noise = np.random.default_rng(seed).normal(0, 0.06, len(at))
    source = replace(made.source, speed_mps=np.abs(np.interp(at, made.true_time_s, speed) + noise))
    return replace(made, source=source)


@pytest.mark.parametrize(
    "made", [{"delay_s": 0.25}, {"filter_s": 0.25}, {"delay_s": 0.08}, {"filter_s": 0.40}]
)
def test_the_lag_is_found_within_its_uncertainty(made: dict[str, float]) -> None:
    found = speed_lag(late(make_pass(), **made).source)
    assert found is not None
    assert found.lag_s == pytest.approx(sum(made.values()), abs=max(3 * found.u_s, 0.01))
    assert found.u_s < 0.02


def test_delay_and_filter_are_told_apart_and_put_right(clean_pass: MadePass) -> None:
    delayed = without_lag(late(clean_pass, delay_s=0.3).source, SETTINGS)
    assert delayed.speed_delay_s == pytest.approx(0.3, abs=0.02) and delayed.speed_filter_s == 0.0
    filtered = without_lag(late(clean_pass, filter_s=0.3).source, SETTINGS)
    assert filtered.speed_filter_s == pytest.approx(0.3, abs=0.02) and filtered.speed_delay_s == 0.0
    assert filtered.speed_lag_s == filtered.speed_filter_s


@pytest.mark.parametrize("made", [{"delay_s": 0.3}, {"filter_s": 0.3}])
def test_the_trap_speed_survives_a_lag(clean_pass: MadePass, made: dict[str, float]) -> None:
    """Uncorrected, 0.3 s at 8 m/s² would read 2.4 m/s low."""
    source = without_lag(late(clean_pass, **made).source, SETTINGS)
    motion = estimate_motion([source], [], None, SETTINGS)
    assert motion is not None
    found = trap_passage(motion, clean_pass.entry_m, clean_pass.exit_m, 0.0)
    assert found is not None
    assert found.speed_mps == pytest.approx(clean_pass.trap_mps, abs=0.25)


def test_no_lag_is_seen_where_there_is_none() -> None:
    changed = [without_lag(make_pass(seed, rate_hz=rate).source, SETTINGS).speed_lag_s
               for seed in range(12) for rate in (5.0, 10.0, 25.0)]  # fmt: skip
    assert changed == [0.0] * 36


def test_both_sides_of_the_least_lag(clean_pass: MadePass) -> None:
    source = late(clean_pass, delay_s=0.1).source
    assert without_lag(source, SETTINGS).speed_lag_s > 0
    assert without_lag(source, replace(SETTINGS, lag_least_s=0.15)).speed_lag_s == 0
    assert without_lag(source, replace(SETTINGS, lag_most_s=0.05)).speed_lag_s == 0


def test_distance_by_a_filtered_speed_is_undone_exactly() -> None:
    """u = a (t - T) + a T exp(-t/T) is the answer to a ramp a t; by hand its right distance is a t²/2."""
    t, a, constant = np.linspace(0, 3, 3001), 8.0, 0.3
    u = a * (t - constant) + a * constant * np.exp(-t / constant)
    ok = np.ones(len(t), dtype=bool)
    source = replace(make_pass().source, time_s=t, travel_m=a * t**2 / 2, speed_mps=u, place_ok=ok, speed_ok=ok,
                     speed_filter_s=constant)  # fmt: skip
    np.testing.assert_allclose(driven(source, ok), a * t**2 / 2, atol=1e-4)


def test_the_filter_in_the_state_answers_a_ramp_as_the_closed_form() -> None:
    layout = Layout(1, 0, (0.3,))
    transition, *_ = dynamics(np.full(100, 0.03), layout, np.array([0.01]), SETTINGS)
    state = np.zeros(layout.size)
    state[2] = 8.0
    for step in transition:
        state = step @ state
    t = 3.0
    assert state[1] == pytest.approx(8.0 * t)
    assert state[layout.filtered(0)] == pytest.approx(
        8.0 * (t - 0.3) + 8.0 * 0.3 * np.exp(-t / 0.3), rel=1e-9
    )


def test_too_little_or_too_steady_a_log_tells_no_lag(clean_pass: MadePass) -> None:
    few = clean_pass.source.time_s < 0.5
    assert speed_lag(replace(clean_pass.source, speed_ok=few)) is None
    standing = clean_pass.source.time_s < 1.9
    assert speed_lag(replace(clean_pass.source, speed_ok=standing)) is None
