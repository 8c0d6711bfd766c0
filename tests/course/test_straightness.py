"""How straight: invented tracks whose distance off the line is known."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.course.passes import find_passes
from speedlog.course.straightness import straightness
from speedlog.course.track import Track, make_track
from tests.course.days import COURSE, Day, record, recording


def track(day: Day, across_of_along, *, bad: bool = False) -> Track:
    time = np.arange(0.0, day.now(), 0.04)
    log = record(day, rate_hz=25.0, across=across_of_along(day.along(time)), noise=0.02)
    if bad:
        samples = log.samples.copy()
        samples.iloc[420:422, samples.columns.get_loc("lat_deg")] += 0.0005
        log = recording(samples)
    (span,) = find_passes(log, COURSE)
    made = make_track(log, span, COURSE)
    assert made is not None
    return made


def bow(along: np.ndarray) -> np.ndarray:
    """Off the line to the right of the outbound heading: 3 m at 400 m, none at 0 and 800 m."""
    return 3.0 * np.sin(np.pi * along / 800.0)


OUT = Day().stand(3).go(80, pull=8, hold=1, brake=10).stand(2)  # 800 m
BACK = Day(800.0).stand(3).go(-80, pull=8, hold=1, brake=10).stand(2)


def test_greatest_distance_and_where():
    found = straightness(track(OUT, bow))
    assert found is not None
    assert found.greatest_across_m == pytest.approx(3.0, abs=0.06)
    assert found.greatest_at_along_m == pytest.approx(400.0, abs=40.0)  # the top of the bow is flat
    # by hand: 3 (sin(pi 550/800) - sin(pi 520/800)) = -0.1787 m
    assert found.trap_drift_m == pytest.approx(-0.1787, abs=0.05)


def test_on_the_way_back_right_is_the_other_side():
    found = straightness(track(BACK, bow))
    assert found is not None
    assert found.greatest_across_m == pytest.approx(-3.0, abs=0.06)
    # travelling from 550 m to 520 m, the car moves towards the bow's top: to its own left
    assert found.trap_drift_m == pytest.approx(-0.1787, abs=0.05)


def test_single_bad_positions_do_not_count():
    found = straightness(track(OUT, bow, bad=True))
    assert found is not None and found.greatest_across_m == pytest.approx(3.0, abs=0.06)


def test_leaving_the_line_after_the_shutdown_does_not_count():
    day = Day().stand(3).go(80, pull=8, hold=1, brake=10)
    end = day.place()
    day.to(4, 1).to(4, 6).to(0, 1).stand(3)  # rolls on at 4 m/s, off the runway
    found = straightness(track(day, lambda along: np.where(along > end, along - end, 0.0)))
    assert found is not None and abs(found.greatest_across_m) < 0.15


def test_best_of_several_and_none_of_none():
    whole = track(OUT, bow)
    assert straightness([]) is None
    found = straightness([whole])
    assert found == straightness(whole)
