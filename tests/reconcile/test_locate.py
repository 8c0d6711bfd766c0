"""Where the trap is: closed forms, Monte Carlo of the model, and each doubt on both sides of its threshold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from speedlog.reconcile.locate import FiguredPass, Located, locate, mean_speed, stretch_of
from speedlog.settings import LocateSettings
from tests.reconcile.passes import ENTRY_M, LENGTH_M, drawn, exact_mean, steady

SETTINGS = LocateSettings()
BOTH_WAYS = [(85.0, 5.0, 1), (80.0, 6.0, 1), (90.0, 4.0, -1), (88.0, 5.0, 1)]
SOUND = [(85.0, 5.0, 1), (80.0, 6.0, -1), (90.0, -4.0, 1), (88.0, 5.0, 1), (70.0, 7.0, -1)]


def exactly(plan) -> list[FiguredPass]:
    return [steady(v, a, sign, name=f"pass {n}") for n, (v, a, sign) in enumerate(plan, 1)]


def found(passes, settings: LocateSettings = SETTINGS, between=(200.0, 620.0), length_u_m=0.02) -> Located:
    result = locate(passes, LENGTH_M, length_u_m, settings, between)
    assert result is not None
    return result


def codes(result: Located) -> list[str]:
    return [doubt.code for doubt in result.doubts]


@pytest.mark.parametrize("sign", [1, -1])
def test_mean_speed_is_length_over_time_either_way(sign: int) -> None:
    """Constant 8 m/s² from 96 m/s over 30 m: 97.234135 m/s (references.md topic 5); between nodes too."""
    item = steady(96.0, 8.0, sign)
    places = ENTRY_M + np.array([0.0, 3.3, -7.7, 100.0])
    travel = (places - ENTRY_M) * sign
    wanted = [exact_mean(96.0, 8.0, float(s)) for s in travel]
    assert mean_speed(item, places, LENGTH_M, SETTINGS) == pytest.approx(wanted, abs=1e-5)
    assert mean_speed(item, places[:1], LENGTH_M, SETTINGS)[0] == pytest.approx(97.234135, abs=1e-5)


@pytest.mark.parametrize("plan", [BOTH_WAYS, SOUND])
def test_perfect_passes_give_the_place(plan) -> None:
    """Figures by closed form, no error anywhere: the place itself, to a few grid steps."""
    result = found(exactly(plan))
    # what is left is the model's own allowance: the slope differs a little from side to side
    assert result.entry_m == pytest.approx(ENTRY_M, abs=0.1)
    low, high = result.interval95_m
    assert low < ENTRY_M < high and high - low == pytest.approx(2 * 1.96 * result.sd_m, rel=0.03)
    assert result.tells and result.chi_square < 0.01 and result.degrees == len(plan) - 1


def test_the_uncertainty_by_hand() -> None:
    """Equal passes of slope k = a / v: u_place² = [(u_figure² + u_logs²) / k² + u_d²] / n + (v u_L / (L k))².

    GUM (JCGM 100:2008) 5.1.2, the tape's part common to all; k from the mean speed in mid-trap.
    """
    v, a, n, u_length = 85.0, 5.0, 4, 0.02
    mean = exact_mean(v, a)
    k = a / mean
    own = ((0.05**2 + 0.05**2) / k**2 + SETTINGS.place_sd_m**2) / n
    wanted = np.sqrt(own + (mean * u_length / LENGTH_M / k) ** 2)
    assert found(exactly([(v, a, 1)] * n), length_u_m=u_length).sd_m == pytest.approx(wanted, rel=0.01)
    assert found(exactly([(v, a, 1)] * n), length_u_m=0.0).sd_m == pytest.approx(np.sqrt(own), rel=0.01)


def test_a_pass_counts_once_however_many_readings_it_has() -> None:
    """The speed error of a pass is one unknown: ten times the nodes tell no more."""
    one = exactly(SOUND)
    fine = []
    for item in one:
        time = np.linspace(item.time_s[0], item.time_s[-1], 10 * len(item.time_s))
        parts = (item.along_m, item.speed_mps, item.speed_sd_mps)
        along, speed, sd = (np.interp(time, item.time_s, part) for part in parts)
        fine.append(replace(item, time_s=time, along_m=along, speed_mps=speed, speed_sd_mps=sd))
    assert found(fine).sd_m == pytest.approx(found(one).sd_m, rel=0.01)


@pytest.mark.parametrize(
    ("plan", "seed"),
    [(BOTH_WAYS, 1), ([(85.0, 5.0, 1)] * 3, 2), (SOUND, 3), ([(60.0, 7.0, 1), (65.0, -9.0, 1)], 4)],
)
def test_the_stated_uncertainty_is_the_scatter(plan, seed: int) -> None:
    """200 days drawn from the model: sd within 15 % of the scatter, 95 % interval holds 90 to 99 in 100."""
    rng = np.random.default_rng(seed)
    coarse = replace(SETTINGS, grid_m=0.25)
    days = [found(drawn(rng, plan), coarse) for _ in range(200)]
    error = np.array([day.entry_m for day in days]) - ENTRY_M
    stated = np.sqrt(np.mean([day.sd_m**2 for day in days]))
    assert stated == pytest.approx(np.sqrt(np.mean(error**2)), rel=0.15)
    held = np.mean([day.interval95_m[0] <= ENTRY_M <= day.interval95_m[1] for day in days])
    assert 0.90 <= held <= 0.99
    # by construction one in a hundred is refused for its misfit; 8 of 200 would be a chance of 1 in 1000
    assert sum(bool({"misfit", "contradiction"} & set(codes(day))) for day in days) <= 7


@given(
    st.lists(
        st.tuples(st.floats(50, 100), st.sampled_from([-9.0, -4.0, 4.0, 7.0]), st.sampled_from([1, -1])),
        min_size=1, max_size=6,
    )
)  # fmt: skip
@hypothesis_settings(max_examples=40, deadline=None)
def test_it_never_contradicts_itself(plan) -> None:
    result = locate(exactly(plan), LENGTH_M, 0.02, replace(SETTINGS, grid_m=0.5))
    assert result is not None
    low, high = result.interval95_m
    assert result.stretch_m[0] <= low <= high <= result.stretch_m[1]
    assert low <= result.entry_m <= high or not result.tells
    assert np.trapezoid(result.density_per_m, result.place_m) == pytest.approx(1.0)
    assert result.sd_m >= 0 and np.isfinite(result.misfits).all()
    assert not {"misfit", "contradiction"} & set(codes(result))  # every figure is right


# the doubts, on both sides


def test_one_pass_alone_can_not_tell_and_two_are_unchecked() -> None:
    one = found(exactly(SOUND[:1]))
    assert "too_few" in codes(one) and not one.tells and one.chance is None
    two = found(exactly(SOUND[:2]))
    assert codes(two) == ["unchecked"] and two.tells
    assert codes(found(exactly(SOUND[:3]))) == []


def test_a_wrong_figure_is_named_and_a_small_error_is_not() -> None:
    """Misfit of a figure with its own errors: hypot(0.05, 0.05, slope * 1 m) = 0.092 m/s."""
    passes = exactly(SOUND)
    wrong = replace(passes[2], official_mps=passes[2].official_mps * 1.03)
    result = found([*passes[:2], wrong, *passes[3:]])
    assert codes(result)[0] == "contradiction" and not result.tells
    assert "pass 3 contradicts the others" in result.doubts[0].text
    assert int(np.argmax(np.abs(result.misfits))) == 2
    slight = replace(passes[2], official_mps=passes[2].official_mps + 0.1)
    assert found([*passes[:2], slight, *passes[3:]]).tells


def test_when_blame_can_not_be_placed_no_pass_is_named() -> None:
    """Of two figures neither can be blamed; of three that all disagree none stands out."""
    out, back = steady(85.0, 5.0, 1), steady(85.0, 5.0, -1, name="pass 2")
    # +1 m/s moves the place to opposite sides out and back: no common place, either may be wrong
    both = [replace(item, official_mps=item.official_mps + 1.0) for item in (out, back)]
    result = found(both)
    assert codes(result)[0] == "misfit" and "no common place" in result.doubts[0].text
    flat = [steady(85.0, a, 1, name=f"pass {n}") for n, a in enumerate((0.02, -0.02, 5.0), 1)]
    apart = [replace(flat[0], official_mps=84.0), replace(flat[1], official_mps=86.0), flat[2]]
    assert codes(found(apart))[0] == "misfit"


@pytest.mark.parametrize(("factor", "refused"), [(0.9, False), (1.1, True)])
def test_the_threshold_of_misfit(factor: float, refused: bool) -> None:
    """Figures so far off that chance is just over or just under the threshold: it decides."""
    out, back = steady(85.0, 5.0, 1), steady(85.0, 5.0, -1, name="pass 2")
    moved = [replace(item, official_mps=item.official_mps + 0.3) for item in (out, back)]
    chance = found(moved).chance
    assert chance is not None and 1e-6 < chance < 0.2
    # two looks double it; leaving one of two out gains all of chi-square, but for either of two: no less
    result = found(moved, replace(SETTINGS, misfit_chance=2 * chance * factor))
    assert ("misfit" in codes(result)) is refused


def hill(top_mps: float, top_m: float, name: str = "pass 1") -> FiguredPass:
    """Gains 5 m/s² up to `top_m`, then loses 5: each speed comes twice, mirrored about it."""
    time = np.arange(-100, 101) * 0.04
    speed = top_mps - 5.0 * np.abs(time)
    along = top_m + np.sign(time) * (top_mps * np.abs(time) - 2.5 * time**2)
    passing = FiguredPass(name, time, along, speed, np.full(len(time), 0.05), 0.0, 0.05)
    official = float(mean_speed(passing, np.array([ENTRY_M]), LENGTH_M, SETTINGS)[0])
    return replace(passing, official_mps=official)


def test_two_places_that_fit_are_both_told() -> None:
    """All lift at 500 m: mean speed from 400 m is that from 570 m (mirrored: 500 + 100 - 30)."""
    alike = [hill(v, 500.0, f"pass {n}") for n, v in enumerate((85.0, 86.0, 84.0), 1)]
    result = found(alike, between=(250.0, 750.0))
    assert codes(result) == ["several_places"] and not result.tells
    assert "400 m and 570 m" in result.doubts[0].text or "570 m and 400 m" in result.doubts[0].text
    assert "--between" in result.doubts[0].todo
    # told roughly where it is, or with lifts at other places, one is left
    assert found(alike, between=(250.0, 530.0)).tells
    other = [hill(85.0, 500.0), hill(86.0, 460.0, "pass 2"), hill(84.0, 540.0, "pass 3")]
    result = found(other, between=(250.0, 750.0))
    assert result.tells and result.entry_m == pytest.approx(ENTRY_M, abs=0.3)


def test_a_rival_counts_from_its_threshold_on() -> None:
    alike = [hill(v, 500.0, f"pass {n}") for n, v in enumerate((85.0, 86.0, 84.0), 1)]
    generous = replace(SETTINGS, rival_share=0.6)  # mirrored places share the chance evenly
    assert "several_places" not in codes(found(alike, generous, between=(250.0, 750.0)))
    strict = replace(SETTINGS, rival_share=0.4)
    assert "several_places" in codes(found(alike, strict, between=(250.0, 750.0)))


def test_flat_speed_can_not_tell() -> None:
    flat = [steady(85.0 + n, 0.05, 1, name=f"pass {n}") for n in (1, 2, 3)]
    result = found(flat)
    assert "flat" in codes(result) and "changes too little between 200 m and 590 m" in result.doubts[0].text
    assert found(exactly(SOUND)).tells


def test_the_widest_and_the_flat_share_decide() -> None:
    passes = exactly(SOUND)
    sd = found(passes).sd_m
    assert "flat" in codes(found(passes, replace(SETTINGS, widest_sd_m=0.99 * sd)))
    assert "flat" not in codes(found(passes, replace(SETTINGS, widest_sd_m=1.01 * sd)))
    share = sd / ((590.0 - 200.0) / np.sqrt(12))
    assert "flat" in codes(found(passes, replace(SETTINGS, flat_share=0.99 * share)))
    assert "flat" not in codes(found(passes, replace(SETTINGS, flat_share=1.01 * share)))


def test_a_place_at_the_end_of_the_stretch_is_no_place() -> None:
    """A normal hill falls to 2 % at 2.8 sd: nearer than that to the end it is cut off."""
    passes = exactly(SOUND)
    sd = found(passes).sd_m
    assert "at_the_edge" in codes(found(passes, between=(ENTRY_M - 2.5 * sd, 620.0)))
    assert "at_the_edge" not in codes(found(passes, between=(ENTRY_M - 3.2 * sd, 620.0)))
    assert "at_the_edge" in codes(found(passes, between=(200.0, ENTRY_M + LENGTH_M + 2.5 * sd)))
    assert "at_the_edge" not in codes(found(passes, between=(200.0, ENTRY_M + LENGTH_M + 3.2 * sd)))


def test_passes_that_change_speed_alike_hide_a_common_error() -> None:
    """0.1 m/s at slope 5 / 85.9 a second: 1.7 m, by hand; the cosine of equal slopes with 1 is 1."""
    alike = found(exactly([(85.0, 5.0, 1)] * 3))
    assert codes(alike) == ["alike"] and alike.tells
    assert "0.1 m/s would move the place by 2 m" in alike.doubts[0].text
    # slopes of 1 and 9 m/s²: cosine (1 + 9) / sqrt(2 (1 + 81)) = 0.78 before weights
    one_way = found(exactly([(85.0, 1.0, 1), (85.0, 9.0, 1), (85.0, 5.0, 1)]))
    assert codes(one_way) == ["one_way"]
    assert "0.05 s late would move the place by 4 m" in one_way.doubts[0].text  # 0.05 s * 86 m/s
    assert codes(found(exactly(SOUND))) == []


def test_the_threshold_of_alike() -> None:
    two_slopes = exactly([(85.0, 3.0, 1), (85.0, 7.0, 1), (85.0, 5.0, 1)])
    assert codes(found(two_slopes, replace(SETTINGS, alike_cosine=0.90))) == ["alike"]
    assert codes(found(two_slopes, replace(SETTINGS, alike_cosine=0.995))) == ["one_way"]


def test_a_common_speed_error_shows_only_where_passes_differ() -> None:
    """+0.5 m/s in all logs moves the place by -0.5 v / a = -8.6 m unseen; out and back it is a misfit."""
    alike = [steady(85.0, 5.0, 1, speed_error_mps=0.5, name=f"pass {n}") for n in (1, 2, 3)]
    result = found(alike)
    assert result.entry_m - ENTRY_M == pytest.approx(-0.5 * 85.9 / 5.0, abs=0.2)
    assert "alike" in codes(result)
    opposed = [
        steady(85.0, 5.0, s, speed_error_mps=0.5, name=f"pass {n}") for n, s in enumerate((1, -1, 1, -1))
    ]
    result = found(opposed)
    assert not result.tells and codes(result)[0] == "misfit"


def test_the_stretch_is_where_all_passes_drove_at_speed() -> None:
    first, last = steady(85.0, 5.0), steady(85.0, 5.0, place_error_m=60.0)
    # 4 s either side of 400 m: 400 - 340 + 40 = 100 m to 400 + 340 + 40 = 780 m; the other 60 m farther
    assert stretch_of([first, last], LENGTH_M, SETTINGS) == pytest.approx((160.0, 750.0))
    assert stretch_of([first, last], LENGTH_M, SETTINGS, (300.0, 500.0)) == pytest.approx((300.0, 470.0))
    assert stretch_of([first], LENGTH_M, SETTINGS, (300.0, 329.0)) is None
    assert locate([first], LENGTH_M, 0.02, SETTINGS, (900.0, 950.0)) is None
    # from 40 m/s at 20 m/s² a car is under 5 m/s until 1.75 s before: 40 * 1.75 - 10 * 1.75² = 39.4 m before
    slow = steady(40.0, 20.0)
    low, _ = stretch_of([slow], LENGTH_M, SETTINGS) or (0.0, 0.0)
    assert low == pytest.approx(ENTRY_M - 39.375, abs=0.3)


def test_hostile_names_stay_on_one_line() -> None:
    passes = exactly(SOUND)
    wrong = replace(passes[2], official_mps=200.0, name="a\n\x1b[31m")
    text = found([*passes[:2], wrong, *passes[3:]]).doubts[0].text
    assert "\n" not in text and "\x1b" not in text
