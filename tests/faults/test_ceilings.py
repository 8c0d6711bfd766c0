"""Flat tops that sit on a limit of a number field, or on a number too round for chance."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.faults import find_faults
from speedlog.faults.ceilings import KNOWN, known_limit, known_limits_between, round_limit
from speedlog.settings import FaultSettings
from speedlog.units import find_unit
from tests.faults.invented import KNOT, Drive, changed, log

SETTINGS = FaultSettings()
KMH, MPH = 1 / 3.6, 0.44704
RISING = Drive(pull=8.0, top=96.0, brake=12.0)


def test_the_known_limits_are_those_that_are_looked_for() -> None:
    assert sorted(item.speed_mps for item in KNOWN) == pytest.approx(sorted(SETTINGS.ceilings_mps), rel=1e-12)


@pytest.mark.parametrize(
    ("number", "unit", "full"),
    [("65.535", "m/s", (2**16 - 1) / 1000), ("255", "km/h", 2**8 - 1), ("655.35", "km/h", (2**16 - 1) / 100)],
)
def test_full_fields_by_arithmetic(number: str, unit: str, full: float) -> None:
    assert any(item.number == number and item.unit == unit and float(number) == full for item in KNOWN)


@pytest.mark.parametrize(
    ("limit_mps", "mph", "words"),
    [  # mph as in references.md topic 5
        (65.535, "146.6", "65.535 m/s, the most that a 16-bit number of millimetres a second can hold"),
        (255 * KMH, "158.4", "255 km/h, the most that an 8-bit number of km/h can hold"),
        (99.9 * KNOT, "115.0", "99.9 kn, the most that three digits can show"),
    ],
)
def test_a_flat_top_at_a_known_limit_says_so(limit_mps: float, mph: str, words: str) -> None:
    (span,) = find_faults(log(RISING, limit_mps=limit_mps))
    assert span.detail.startswith(f"readings stop at {mph} mph ({words}) for ")


def test_a_flat_top_at_100_mps() -> None:
    (span,) = find_faults(log(Drive(pull=8.0, top=108.0, brake=12.0), limit_mps=100.0))
    assert span.detail.startswith("readings stop at 223.7 mph (100 m/s, where some receivers stop")


def test_a_number_as_written_goes_before_a_known_limit_nearby() -> None:
    """In steps of 0.01 m/s 99.99 is no 100; in steps of 0.1 kn 100 m/s is written 194.4, 100.008 m/s."""
    (span,) = find_faults(log(Drive(pull=8.0, top=108.0, brake=12.0), limit_mps=99.99, step_kn=0.01 / KNOT))
    assert "(99.99 m/s, just where its digits may end: perhaps the logger's own limit)" in span.detail
    (span,) = find_faults(log(Drive(pull=8.0, top=108.0, brake=12.0), limit_mps=100.0, step_kn=0.1))
    assert "(100 m/s, where some receivers stop in their settings for ground use)" in span.detail


def test_both_sides_of_how_near_a_known_limit_is() -> None:
    assert known_limit(65.535 + 0.029, SETTINGS.ceiling_known_mps, SETTINGS) is not None
    assert known_limit(65.535 + 0.031, SETTINGS.ceiling_known_mps, SETTINGS) is None


def test_known_limits_above_a_reading_and_up_to_a_target() -> None:
    found = known_limits_between(60.0, 100.0, SETTINGS)
    assert [item.number for item in found] == ["65.535", "255", "100"]  # 60 < 65.5 < 70.8 < 100 m/s
    assert known_limits_between(100.0, 182.0, SETTINGS) == ()


@pytest.mark.parametrize(
    ("speed_mps", "step_mps", "words"),
    [
        (250 * KMH, 0.1 * KMH, "250 km/h, a round number"),
        (200 * MPH, 0.1 * MPH, "200 mph, a round number"),
        (250 * KMH, 1.0 * KMH, "250 km/h, a round number"),  # coarse, but in the log's own unit
        (99.99, 0.01, "99.99 m/s, just where its digits may end"),
        (199.9 * MPH, 0.1 * MPH, "199.9 mph, just where its digits may end"),
        (255 * MPH, 1.0 * MPH, "255 mph, just what an 8-bit number of a mph can hold"),
        (327.67 * KMH, 0.01 * KMH, "327.67 km/h, just what a signed 16-bit number of hundredths of a km/h can hold"),
        # 200 mph is 173.795 kn: in text of 0.01 kn it is written 173.80, half a step off
        (173.80 * KNOT, 0.01 * KNOT, "200 mph, a round number"),
    ],
)  # fmt: skip
def test_numbers_too_round_for_chance(speed_mps: float, step_mps: float, words: str) -> None:
    assert str(round_limit(speed_mps, step_mps, SETTINGS)) == words


@pytest.mark.parametrize(
    ("speed_mps", "step_mps"),
    [
        (250.02 * KMH, 0.01 * KMH),
        (240 * KMH, 0.1 * KMH),  # no fifty
        (71.3, 0.01),
        (173.83 * KNOT, 0.01 * KNOT),
        # whole km/h brought to mph: 322 km/h is 200.08 mph, within half a step, but any number is so near
        (322 * KMH, 1.0 * KMH),
    ],
)
def test_other_numbers_say_nothing(speed_mps: float, step_mps: float) -> None:
    assert round_limit(speed_mps, step_mps, SETTINGS) is None


def test_both_sides_of_how_fine_another_units_text_must_be() -> None:
    unit = find_unit("mph", "speed")
    assert unit is not None
    assert round_limit(200.04 * MPH, 0.099 * MPH, SETTINGS) is not None
    assert round_limit(200.04 * MPH, 0.101 * MPH, SETTINGS) is None


def test_a_round_flat_top_is_told_carefully_and_another_not_at_all() -> None:
    (span,) = find_faults(log(RISING, limit_mps=250 * KMH, step_kn=0.1 / 3.6 / KNOT))
    assert "155.3 mph (250 km/h, a round number: perhaps the logger's own limit)" in span.detail
    (span,) = find_faults(log(RISING, limit_mps=71.3))
    assert "limit" not in span.detail and "(256.7 km/h)" in span.detail  # 71.3 * 3.6 = 256.68


@pytest.mark.parametrize(
    ("top", "limit_mps", "found"), [(69.0, 65.535, 1), (69.0, 65.2, 0), (65.535, 65.535, 0)]
)
def test_two_rows_at_a_known_limit_need_places_that_say_more(
    top: float, limit_mps: float, found: int
) -> None:
    """69 m/s at 1.1 + 69/8 = 9.725 s: above 65.535 m/s from 9.29 s to 10.07 s, at the epochs 9.5 s and 10 s.

    65.2 m/s is no known limit; a car that is no faster than the limit shows two rows there by chance.
    """
    drive = Drive(stand_s=1.1, pull=8.0, top=top, brake=10.0)
    track = log(drive, rate_hz=2.0, limit_mps=limit_mps, step_kn=1e-6, place_noise=0.02)
    speed = track.samples["speed_mps"].to_numpy()
    if top == limit_mps:
        # the peak's two highest readings alike
        highest = np.argsort(speed)[-2:]
        speed = speed.copy()
        speed[highest] = limit_mps
        track = changed(track, speed_mps=speed)
    spans = [span for span in find_faults(track) if span.kind == "ceiling"]
    assert [(span.start_s, span.end_s) for span in spans] == [(9.5, 10.0)] * found
