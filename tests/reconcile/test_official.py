"""The trap figure and its uncertainty: GUM and Monte Carlo values of references.md topic 7."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.course.coursefile import Course
from speedlog.course.geometry import Line
from speedlog.errors import SpeedlogError
from speedlog.reconcile.official import official_figure, official_interval


def course(**more) -> Course:
    return Course(name="strip", line=Line(53.1, -1.2, 75.0), entry_m=520.0, exit_m=550.0, end_m=None,
                  time_zone=None, **more)  # fmt: skip


def test_reading_of_306_ms_over_30_m() -> None:
    """references.md topic 7: 98.0392 m/s, Monte Carlo with the triangle [97.759, 98.320], tol 0.005."""
    found = official_figure("0.306 s", course())
    assert found.speed_mps == pytest.approx(98.0392, abs=1e-4)
    assert found.interval95_mps == pytest.approx((97.759, 98.320), abs=0.005)


def test_length_rules_where_the_timer_is_fine() -> None:
    """topic 7: L 30, v 98, q 10 µs, u_L 0.02: u 0.0653 m/s."""
    low, high = official_interval(98.0, 30.0, 0.02, 1e-5, 0.0, 0.0)
    assert (high - low) / 2 == pytest.approx(1.96 * 0.0653, rel=0.003)


def test_the_last_digit_quoted_counts() -> None:
    """topic 7: "187.5 mph" alone is a rectangle of half-width 0.05 mph = 0.0223520 m/s (95 % of it inside)."""
    low, high = official_interval(83.82, 30.0, 1e-9, 1e-9, 0.0, 0.1 * 0.44704)
    assert (high - low) / 2 == pytest.approx(0.95 * 0.05 * 0.44704, rel=0.01)
    coarse = official_figure("187 mph", course()).interval95_mps
    fine = official_figure("187.00 mph", course()).interval95_mps
    assert coarse[1] - coarse[0] > 1.2 * (fine[1] - fine[0])


def test_convolution_equals_monte_carlo() -> None:
    """JCGM 101 by brute force: timer triangle of 2 ms, tape 30 mm, quoted to 1 km/h, a million draws."""
    rng = np.random.default_rng(11)
    n, v, length = 1_000_000, 91.0, 25.0
    t = length / v + rng.triangular(-0.002, 0, 0.002, n)
    t += rng.uniform(-0.5, 0.5, n) / 3.6 / v * length / v
    draws = (length + rng.normal(0, 0.03, n)) / t
    found = official_interval(v, length, 0.03, 0.002, 0.0, 1 / 3.6)
    assert found == pytest.approx(tuple(np.quantile(draws, [0.025, 0.975])), abs=0.01)


def test_what_was_assumed_is_named() -> None:
    told = official_figure("187.5 mph", course(defaulted=("timer_resolution_s", "length_u_m", "place_u_m")))
    assert len(told.assumptions) == 3 and told.unit == "mph"
    assert official_figure("187.5 mph", course()).assumptions == ()


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("187.5", "has no unit"),
        ("fast", "is not a number with a unit"),
        ("-187 mph", "is not above zero"),
        ("0 s", "is not above zero"),
        ("187.5 V", "is not a unit of speed"),
        ("0.001 s", "means 30000.0 m/s over 30 m"),
        ("900 mph", "means 402.3 m/s over 30 m"),
    ],
)
def test_a_wrong_figure_is_refused_in_one_line(text: str, part: str) -> None:
    with pytest.raises(SpeedlogError) as caught:
        official_figure(text, course())
    assert part in str(caught.value) and "\n" not in str(caught.value)
