"""Work on several processes gives what one gives, in order; mistakes come back as they were made."""

from __future__ import annotations

import os
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest

import speedlog
from speedlog.cores import Cores
from speedlog.demo import writers
from speedlog.demo.car import Air, Car
from speedlog.demo.gnss import GnssLogger, Place, log_gnss
from speedlog.demo.truth import Driver, drive_pass
from speedlog.errors import SpeedlogError


def scaled(factor: int, item: int) -> tuple[int, bool]:
    if item == 13:
        raise SpeedlogError("no thirteenth", file="a.nmea", line=7, todo="Leave it out.")
    return factor * item, "PYTEST_CURRENT_TEST" in os.environ and os.getpid() == int(
        os.environ["CORES_TEST_PID"]
    )


def ended(_: None, item: int) -> int:
    os._exit(3)


@pytest.fixture(autouse=True)
def _whose(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CORES_TEST_PID", str(os.getpid()))


def test_several_processes_give_the_same_in_order_and_are_told_what_is_common_once() -> None:
    begun: list[int] = []
    done: list[int] = []
    with Cores(2, least=5, begin=begun.append, step=done.append) as cores:
        few = list(cores.run(scaled, 3, range(4)))
        many = list(cores.run(scaled, 3, range(6)))
        other = list(cores.run(scaled, 10, range(6)))
    assert few == [(3 * item, True) for item in range(4)]  # too few: in this process
    assert many == [(3 * item, False) for item in range(6)]
    assert other == [(10 * item, False) for item in range(6)]
    assert begun == [4, 6, 6] and sum(done) == 16


def test_a_mistake_in_another_process_is_the_same_line() -> None:
    with Cores(2) as cores, pytest.raises(SpeedlogError) as caught:
        list(cores.run(scaled, 1, [1, 13]))
    assert str(caught.value) == "a.nmea, line 7: no thirteenth. Leave it out."


def test_a_process_that_is_ended_from_outside_is_told() -> None:
    with Cores(2) as cores, pytest.raises(SpeedlogError, match="--workers 1"):
        list(cores.run(ended, None, [1, 2]))


def test_passes_reviewed_on_two_processes_are_those_of_one(tmp_path: Path) -> None:
    """Two passes of one log, and a table of the second logger; every figure and sentence the same."""
    rng = np.random.default_rng(5)
    paths = []
    truth = drive_pass(Car(), Driver(lift_m=600.0), Air(), (550.0, 580.0))
    for number, start_s in enumerate((0, 600)):
        start_ns = (1_714_564_800 + start_s) * 1_000_000_000
        for name, write in (("front.nmea", writers.nmea), ("rear.csv", writers.gnss_csv)):
            log = log_gnss(rng, truth, Place(53.1, -1.2, 75.0), GnssLogger(rate_hz=10.0), start_ns)
            paths.append(tmp_path / f"{number}_{name}")
            paths[-1].write_bytes(write(log))
    course = tmp_path / "course.toml"
    course.write_text(
        'name = "x"\n[line]\nstart = [53.1, -1.2]\nheading_deg = 75.0\n[trap]\nentry_m = 550.0\nexit_m = 580.0\n',
        encoding="utf-8",
    )
    loaded = speedlog.Course.load(course)
    alone = speedlog.review(paths, course=loaded)
    with (
        Cores(2) as cores,
        patch.object(Cores, "_spread", autospec=True, side_effect=Cores._spread) as spread,
    ):
        spread_out = speedlog.review(paths, course=loaded, cores=cores)
    assert spread.call_count == 2 and len(alone.passes) == 2
    assert spread_out.as_json() == alone.as_json()


def test_a_worker_ends_where_its_parent_was_killed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The thread that waits for the parent; `join` returns when that is gone."""
    from speedlog import cores as module

    ended: list[int] = []
    monkeypatch.setattr(module.os, "_exit", ended.append)

    class Parent:
        def join(self) -> None:
            assert not ended

    module._end_with(Parent())
    assert ended == [1]
