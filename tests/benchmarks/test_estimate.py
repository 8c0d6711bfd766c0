"""The yardstick of the timing: the peer smooths what it is given; files of one and of ten hold the same. No timing."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.demo.draws import random_logger
from speedlog.demo.several import log_several, several_scenes
from tests.benchmarks.estimate import cpu_s, joined, peer_smoother, two_loggers_and_wheel


def test_peer_on_a_steady_ramp() -> None:
    """x = 3 t², v = 6 t: exact readings on the model's own course come back, and the acceleration of 6."""
    place, speed = np.arange(0.0, 4.0, 0.04), np.arange(0.02, 4.0, 0.05)
    both = [
        (place, 3 * place**2, np.ones(len(place), dtype=bool), 0, 0.01),
        (speed, 6 * speed, speed > 1.0, 1, 0.01),
    ]
    found = peer_smoother(both)
    time = np.sort(np.concatenate([place, speed[speed > 1.0]]))
    assert found.shape == (3, len(time))
    inner = slice(10, -10)
    assert found[0, inner] == pytest.approx(3 * time[inner] ** 2, abs=1e-4)
    assert found[1, inner] == pytest.approx(6 * time[inner], abs=1e-3)
    assert found[2, inner] == pytest.approx(6.0, abs=1e-2)


def test_the_timed_pass_is_the_one_asked_for() -> None:
    run = two_loggers_and_wheel(1)
    assert [log.logger.rate_hz for _, _, log in run.gnss] == [25.0, 25.0]
    assert run.wheel is not None and not any(log.labels for _, _, log in run.gnss)


def test_joined_holds_every_row_once_in_order() -> None:
    rng = np.random.default_rng(2)
    _, cut = log_several(rng, several_scenes(rng, 2), random_logger(rng, 5.0))
    whole = joined(cut)
    assert len(whole.true_s) == len(cut[0].true_s) + len(cut[1].true_s)
    assert np.all(np.diff(whole.time_ns) > 0)


def test_work_is_done_once_more_than_timed() -> None:
    done: list[int] = []
    assert len(cpu_s(lambda: done.append(1), 3)) == 3 and len(done) == 4
