"""How a log writes its speed: text steps, and rows that only repeat the last speed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.reconcile.written import fresh_rows, with_fresh_rows, written_step
from speedlog.samples import Clock, Recording
from speedlog.settings import Settings
from tests.faults.invented import KNOT, Drive, log

SETTINGS = Settings().suits
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
    assert kept(held, 1.59 / 3) == pytest.approx(0.2, abs=0.02)
    assert kept(held, 1.61 / 3) == 1.0


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


def test_the_recording_is_thinned_only_where_it_repeats() -> None:
    table = log(CAR, trap=None).samples
    whole = Recording("log.nmea", "0" * 64, "nmea", Clock.UTC, (table,))
    assert with_fresh_rows(whole, FINE, SETTINGS) is whole
    held = table.copy()
    held["speed_mps"] = table["speed_mps"].to_numpy()[np.arange(len(table)) // 5 * 5]
    thin = with_fresh_rows(replace(whole, segments=(held,)), FINE, SETTINGS)
    assert thin.rate_hz == pytest.approx(5.0) and whole.rate_hz == pytest.approx(25.0)
