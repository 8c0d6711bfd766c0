"""Several loggers on one car, from files to sentences: who is wrong for a while, who is late, and what is not known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import speedlog.fusion.drive
from speedlog.course.coursefile import Course
from speedlog.demo.draws import seeded
from speedlog.demo.families import family
from speedlog.demo.scenario import SimulatedPass
from speedlog.fusion.disagree import Odds
from speedlog.pipeline import review
from speedlog.results import Pass


def told(run: SimulatedPass, folder: Path) -> Pass:
    for name, content in run.files().items():
        (folder / name).write_bytes(content)
    files = [folder / name for name, _, _ in run.gnss]
    (found,) = review(files, course=Course.load(folder / "course.toml"), unit="m/s").passes
    return found


def test_the_wrong_stretch_becomes_a_fault_near_the_trap_and_is_left_out(tmp_path: Path) -> None:
    run = family("one_wrong", seeded(5, "one_wrong", 2))
    found = told(run, tmp_path)
    (name, _, log), (other, _, _) = run.gnss
    (label,) = log.labels
    (fault,) = [item for logger in found.loggers for item in logger.faults if "against it" in item.detail]
    assert [logger.file for logger in found.loggers if fault in logger.faults] == [name]
    assert fault.kind == "outlier" and fault.near_trap
    start, end = (moment.value / 1e9 - run.launch_ns / 1e9 for moment in (fault.start_utc, fault.end_utc))
    # bins of 0.2 s, one added on each side; edges take 0.3 to 0.8 s to fade
    assert start == pytest.approx(label.start_s, abs=0.8) and end == pytest.approx(label.end_s, abs=0.8)
    assert f"{other} and its own positions speak against it" in fault.detail
    assert found.trap is not None and found.trap.interval95_mps is not None
    low, high = found.trap.interval95_mps
    assert low - 0.1 < run.trap_mps < high + 0.1 and high - low < 0.5


def test_where_nothing_tells_the_interval_holds_both_and_one_sentence_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = family("one_wrong", seeded(5, "one_wrong", 2))
    sound = told(run, tmp_path)
    monkeypatch.setattr(speedlog.fusion.drive, "odds", lambda *given: Odds(0.0, (False, False)))
    found = told(run, tmp_path)
    assert not [item for logger in found.loggers for item in logger.faults if "against it" in item.detail]
    (text,) = [item for item in found.warnings if "differ" in item]
    one, other = (name for name, _, _ in run.gnss)
    assert one in text and other in text and " m/s from " in text
    assert text.endswith("nothing tells which is right, so the estimate's interval holds both")
    assert found.trap is not None and found.trap.interval95_mps is not None
    assert sound.trap is not None and sound.trap.interval95_mps is not None
    low, high = found.trap.interval95_mps
    # put in: at least 1 m/s over the trap; both answers lie inside
    assert high - low > np.ptp(sound.trap.interval95_mps) + 0.5
    assert low < run.trap_mps < high


def test_a_logger_that_is_late_with_everything_is_put_in_step(tmp_path: Path) -> None:
    run = family("two_loggers_common_delay", seeded(5, "two_loggers_common_delay", 1))
    late, prompt = run.gnss
    found = told(run, tmp_path)
    (text,) = [item for item in found.warnings if " behind " in item]
    delay = late[2].logger.delay_s
    seconds = float(text.split(" is ")[1].split(" s behind ")[0])
    assert text.startswith(f"{late[0]} is ") and f" s behind {prompt[0]} " in text
    assert seconds == pytest.approx(delay, abs=0.03)
    assert "the earlier one's times are taken as right" in text
    assert found.trap is not None and found.trap.interval95_mps is not None
    low, high = found.trap.interval95_mps
    assert low - 0.1 < run.trap_mps < high + 0.1
    # both logs on the prompt one's clock: the trap is entered when it was
    assert found.trap.entry_utc is not None
    entered = found.trap.entry_utc.value / 1e9 - run.launch_ns / 1e9
    assert entered == pytest.approx(run.truth.entry_s, abs=0.04)  # 2 m of place error at 50 m/s


def test_sound_loggers_say_nothing_of_each_other(tmp_path: Path) -> None:
    run = family("two_loggers", seeded(5, "two_loggers", 0))
    found = told(replace(run), tmp_path)
    assert not [item for item in found.warnings if "behind" in item or "differ" in item]
    assert not [item for logger in found.loggers for item in logger.faults]
