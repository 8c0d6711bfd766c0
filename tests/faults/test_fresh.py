"""How a log writes its speed: text steps, and rows that only repeat the last speed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.course.track import Track
from speedlog.faults import find_faults
from speedlog.faults.fresh import fresh_rows, renewed, written_step
from speedlog.settings import Settings
from tests.faults.invented import KNOT, Drive, changed, log, track_of

SETTINGS = Settings().faults
CAR = Drive(pull=8.0, top=88.0, brake=12.0)
FINE = 0.01 * KNOT


def speeds(rate_hz: float = 25.0, **made: float) -> np.ndarray:
    return log(CAR, trap=None, rate_hz=rate_hz, **made).samples["speed_mps"].to_numpy(dtype=float).copy()


def kept(speed: np.ndarray, step: float = FINE, **changed: float) -> float:
    """The share of rows said to be new, where the car is fast."""
    fast = speed > 45.0
    rows = fresh_rows(speed, step, replace(SETTINGS, **changed))  # type: ignore[arg-type]
    return float(rows[np.where(np.isfinite(speed), fast, False)].mean())


@pytest.mark.parametrize(
    ("readings", "step"),
    [
        (np.arange(0, 90, 1.3) * KNOT, 0.1 * KNOT),  # a short log: no two readings nearer than 1.3 kn
        (np.array([0.0, 12.0, 27.0, 250.0]) / 3.6, 1 / 3.6),
        (np.array([0.0, 10.01, 10.02, 55.5]), 0.01),
        # on no decimal step: the smallest difference
        (np.array([0.0, 0.25, 0.5, 1.0]) / np.pi, 0.25 / np.pi),
        (np.array([0.0, np.nan]), 0.0),
    ],
)
def test_the_step_of_the_text(readings: np.ndarray, step: float) -> None:
    assert written_step(readings) == pytest.approx(step)


@pytest.mark.parametrize("every", [2, 5, 25])
def test_rows_that_repeat_the_last_speed_or_hold_none(every: int) -> None:
    speed = speeds()
    place = np.arange(len(speed)) // every * every
    assert kept(speed[place]) == pytest.approx(1 / every, abs=0.02)
    gone = np.where(np.arange(len(speed)) == place, speed, np.nan)
    rows = fresh_rows(gone, FINE, SETTINGS)
    assert np.isfinite(gone[rows]).all() and rows[speed > 45.0].mean() == pytest.approx(1 / every, abs=0.02)


def test_ten_speeds_a_second_in_twenty_five_rows() -> None:
    """Held for two rows and three by turns."""
    speed = speeds()
    held = speed[(np.floor(np.arange(len(speed)) * 0.4) / 0.4).astype(int)]
    assert kept(held) == pytest.approx(0.4, abs=0.02)


def test_a_log_without_such_a_habit_keeps_every_row() -> None:
    assert kept(speeds()) == 1.0
    assert kept(speeds(limit_mps=70.0)) == 1.0  # a flat top from 9.75 s to 13.5 s
    frozen = speeds()
    frozen[250:290] = frozen[250]
    assert kept(frozen) == 1.0
    assert fresh_rows(np.zeros(100), FINE, SETTINGS).all()  # standing
    assert fresh_rows(np.full(100, np.nan), 0.0, SETTINGS).all()
    assert fresh_rows(np.array([]), 0.0, SETTINGS).shape == (0,)


@given(
    st.lists(st.one_of(st.just(float("nan")), st.integers(0, 20).map(float)), max_size=60), st.floats(0, 5)
)
def test_no_new_speed_is_ever_dropped(readings: list[float], step: float) -> None:
    """A row may go only where it holds no speed or the one before it."""
    speed = np.array(readings)
    rows = fresh_rows(speed, step, SETTINGS)
    last = float("nan")
    for value, row in zip(speed, rows, strict=True):
        assert row or np.isnan(value) or value == last
        last = last if np.isnan(value) else value


def test_coarse_text_repeats_by_rounding_alone() -> None:
    """8 m/s² at 100 Hz: 0.08 m/s a row in steps of 1 km/h, 0.28 m/s: three or four rows alike, then one step on."""
    assert kept(speeds(100.0, step_kn=1 / 3.6 / KNOT, speed_noise=0.0), 1 / 3.6) == 1.0


def test_both_sides_of_how_far_a_new_speed_must_lie() -> None:
    """Five rows of 0.04 s at 8 m/s² gain 1.6 m/s and at 12 m/s² lose 2.4; more rows gain than lose."""
    speed = speeds(speed_noise=0.0)
    held = speed[np.arange(len(speed)) // 5 * 5]
    assert kept(held, 1.59 / 1.5) == pytest.approx(0.2, abs=0.02)
    assert kept(held, 1.61 / 1.5) == 1.0


def test_both_sides_of_how_many_make_a_habit() -> None:
    """45 to 88 m/s and back last 9.0 s: a new speed a second."""
    speed = speeds()
    held = speed[np.arange(len(speed)) // 25 * 25]
    new = int(np.sum(held[1:] != held[:-1]))
    assert kept(held, repeat_least=new + 2) == 1.0  # the first row is new as well
    assert kept(held, repeat_least=8) == pytest.approx(0.04, abs=0.01)


def test_only_speeds_near_the_top_tell() -> None:
    """A car that creeps for long on a repeated speed, then runs with every row new."""
    creeping = np.repeat(1.0 + np.arange(800) % 2, 5)
    speed = np.concatenate([creeping, speeds()])
    assert fresh_rows(speed, FINE, SETTINGS).all()  # from half of 88 m/s on
    assert not fresh_rows(
        speed, FINE, replace(SETTINGS, repeat_from=0.01)
    ).all()  # 0.88 m/s: the creeping counts


def held(track: Track, speed: int = 1, place: int = 1, phase: int = 0) -> Track:
    """The track with its speed (place) renewed only every so many rows; places `phase` rows earlier."""
    row = np.arange(len(track.time_s))
    old_speed, old_place = row // speed * speed, np.maximum((row + phase) // place * place - phase, 0)
    values = {name: track.samples[name].to_numpy()[old_place] for name in ("lat_deg", "lon_deg")}
    return changed(track, speed_mps=track.samples["speed_mps"].to_numpy()[old_speed], **values)


def five_times(track: Track) -> Track:
    """Each row of a 5 Hz log written five times, 0.04 s apart."""
    time = np.round(track.time_s[0] + 0.04 * np.arange(5 * len(track.time_s)), 6)
    columns = ("speed_mps", "lat_deg", "lon_deg")
    return track_of(time, *(np.repeat(track.samples[name].to_numpy(), 5) for name in columns))


@pytest.mark.parametrize(
    ("speed", "place", "phase"),
    [(5, 1, 0), (2, 1, 0), (25, 1, 0), (1, 5, 0), (5, 5, 0), (5, 5, 2), (5, 25, 0)],
)
def test_a_table_faster_than_its_receiver_is_no_fault(speed: int, place: int, phase: int) -> None:
    for seed in range(4):
        assert find_faults(held(log(CAR, seed=seed), speed, place, phase)) == ()


def test_each_row_five_times_is_as_sound_and_as_wrong_as_the_log() -> None:
    for seed in range(4):
        track = log(CAR, rate_hz=5.0, seed=seed)
        assert find_faults(track) == find_faults(five_times(track)) == ()
        speed = track.samples["speed_mps"].to_numpy().copy()
        speed[40] += 6.0  # 8.0 s, 56 m/s
        (span,) = find_faults(five_times(changed(track, speed_mps=speed)))
        # its five rows, from 8.00 s to 8.16 s
        assert (span.kind, span.concerns) == ("outlier", "speed")
        assert (span.start_s, span.end_s) == (pytest.approx(8.0), pytest.approx(8.16))


def test_a_hold_longer_than_usual_is_a_stuck_receiver() -> None:
    """Renewed every 0.2 s, but at 1.2 s once; the speed moves on by 8 m/s² times that."""
    track = log(CAR)
    speed = held(track, 5).samples["speed_mps"].to_numpy().copy()
    speed[200:230] = speed[200]
    (span,) = find_faults(changed(track, speed_mps=speed))
    assert (span.kind, span.concerns) == ("frozen", "speed")
    assert span.end_s == pytest.approx(229 * 0.04) and 8.0 < span.start_s <= 8.2 + 1e-9
    stuck = held(track, 5, 5)
    place = {name: stuck.samples[name].to_numpy().copy() for name in ("lat_deg", "lon_deg")}
    for values in place.values():
        values[200:230] = values[200]
    (span,) = find_faults(changed(stuck, **place))
    assert (span.kind, span.concerns) == ("frozen", "position")
    assert (span.start_s, span.end_s) == (pytest.approx(8.04), pytest.approx(229 * 0.04))


def test_a_flat_top_in_such_a_table_is_still_found() -> None:
    (span,) = find_faults(held(log(CAR, limit_mps=70.0), 5))
    # 70 m/s from 1 + 70/8 = 9.75 s to 12 + 18/12 = 13.5 s; a renewal may be as much as 0.2 s late
    assert span.kind == "ceiling"
    assert span.start_s == pytest.approx(9.75, abs=0.25) and span.end_s == pytest.approx(13.5, abs=0.25)


@pytest.mark.parametrize(("rows", "kept_rows"), [(12, 1), (13, 3)])
def test_both_sides_of_a_long_hold(rows: int, kept_rows: int) -> None:
    """Held 5 rows as a rule: 12 are one late renewal, 13 are 2.6 renewals and stand for three readings."""
    track = log(CAR)
    speed = held(track, 5).samples["speed_mps"].to_numpy().copy()
    speed[200 : 200 + rows] = speed[200]
    speed[200 + rows : 215] = speed[216]
    slim = renewed(changed(track, speed_mps=speed), SETTINGS)[0]
    inside = (slim.time_s > 199.5 * 0.04) & (slim.time_s < (199.5 + rows) * 0.04)
    assert inside.sum() == kept_rows
