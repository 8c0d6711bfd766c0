"""CPU time of the estimate alone, beside another library's smoother on the same readings; ten passes against one.

The peer is statsmodels' KalmanSmoother (compiled) with a white-jerk model of three states, process noise and
variances given: one run of a known linear model. The estimate finds lags, noises, the wheel's law and
what the driver did besides, and runs its smoother many times over. Single thread, CPU time of the process.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from speedlog.demo import writers
from speedlog.demo.draws import Plan, random_controller, random_logger, random_scene, seeded
from speedlog.demo.families import built_pass
from speedlog.demo.gnss import GnssLog, log_gnss
from speedlog.demo.noise import Array
from speedlog.demo.scenario import SimulatedPass, course_toml
from speedlog.demo.several import log_several, several_scenes

_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
RATE_HZ = 25.0
PASSES = 10


def measure(seed: int = 1, times: int = 20) -> dict[str, list[dict[str, Any]]]:
    """Both tables, from a process that was started with one thread."""
    command = [sys.executable, "-m", "tests.benchmarks.estimate", str(seed), str(times)]
    done = subprocess.run(
        command, env=os.environ | _ONE_THREAD, capture_output=True, text=True, encoding="utf-8", check=False
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    return dict(json.loads(done.stdout))


def cpu_s(work: Callable[[], object], times: int) -> list[float]:
    """CPU seconds of each run, after one that brings the libraries in."""
    work()
    found = []
    for _ in range(times):
        start = time.process_time()
        work()
        found.append(time.process_time() - start)
    return found


def two_loggers_and_wheel(seed: int) -> SimulatedPass:
    """A clean pass, two loggers of 25 Hz and a controller's log."""
    rng = seeded(seed, "estimate", 0)
    scene = random_scene(rng, Plan())
    logs = [
        log_gnss(rng, scene.truth, scene.place, random_logger(rng, RATE_HZ), scene.launch_ns)
        for _ in range(2)
    ]
    return built_pass("estimate", rng, scene, logs, random_controller(rng, scene))


def estimate_rows(seed: int, times: int) -> list[dict[str, Any]]:
    """The estimate of one pass (gather and add_wheels), and the peer on its readings."""
    from speedlog.course.coursefile import Course
    from speedlog.course.passes import find_passes
    from speedlog.fusion.clocks import group_passes, match_clocks
    from speedlog.fusion.drive import Drive, add_wheels, gather
    from speedlog.fusion.fleet import WheelSetup, prepare_wheel
    from speedlog.importers import read
    from speedlog.settings import Settings

    run, settings = two_loggers_and_wheel(seed), Settings()
    with tempfile.TemporaryDirectory() as folder:
        recordings = [read(path) for path in run.write(Path(folder))]
        course = Course.load(Path(folder) / "course.toml")
    gnss, setup = recordings[:2], WheelSetup(run.wheel_diameter_m, run.gear_ratio, None)
    spans = [find_passes(item, course, settings.passes) for item in gnss]
    offsets = match_clocks(gnss, spans, settings.fusion)
    [group] = group_passes(spans, offsets, settings.fusion)

    def gathered() -> Drive:
        drive = gather(group, gnss, offsets, course, settings)
        assert drive is not None
        return drive

    def estimated(log: Any) -> Drive:
        return add_wheels(gathered(), [log], settings)[0]

    log, _ = prepare_wheel(2, recordings[2], setup, [gathered()], settings.fusion)
    motion = estimated(log).motion
    assert log is not None and motion is not None
    readings = [(item.time_s, item.travel_m, item.place_ok, 0, 0.5) for item in motion.gnss]
    readings += [(item.time_s, item.speed_mps, item.speed_ok, 1, 0.1) for item in motion.gnss]
    readings += [(item.time_s, item.tread_mps, np.isfinite(item.tread_mps), 1, 0.2) for item in motion.wheels]
    peer = cpu_s(lambda: peer_smoother(readings), times)
    ours = cpu_s(lambda: estimated(log), times)
    count = sum(int(ok.sum()) for _, _, ok, _, _ in readings)
    base = statistics.median(peer)
    return [
        {"what": "gather and add_wheels", "readings": count} | _times(ours, base),
        {"what": "statsmodels KalmanSmoother, white jerk, once", "readings": count} | _times(peer, base),
    ]


def _times(found: list[float], base: float) -> dict[str, float]:
    median = statistics.median(found)
    return {"median s": median, "least s": min(found), "times the peer": median / base}


def peer_smoother(readings: list[tuple[Array, Array, Any, int, float]], density: float = 30.0) -> Array:
    """Smoothed place, speed and acceleration (3, N) at N readings one by one in time, by statsmodels.

    Args:
        readings: (time, value, which to take, state it reads, standard deviation) of each channel.
        density: of the white jerk, m²/s⁵.
    """
    from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

    time_s = np.concatenate([t[ok] for t, _, ok, _, _ in readings])
    order = np.argsort(time_s, kind="stable")
    value = np.concatenate([v[ok] for _, v, ok, _, _ in readings])[order]
    state = np.concatenate([np.full(int(ok.sum()), k) for _, _, ok, k, _ in readings])[order]
    sd = np.concatenate([np.full(int(ok.sum()), s) for _, _, ok, _, s in readings])[order]
    n, t = len(value), np.append(np.diff(time_s[order]), 0.0)
    model = KalmanSmoother(k_endog=1, k_states=3)
    model.bind(np.ascontiguousarray(value[:, None]))
    design = np.zeros((1, 3, n))
    design[0, state, np.arange(n)] = 1.0
    moved = np.tile(np.eye(3)[:, :, None], (1, 1, n))
    moved[0, 1], moved[1, 2], moved[0, 2] = t, t, t * t / 2
    noise = density * np.array(
        [[t**5 / 20, t**4 / 8, t**3 / 6], [t**4 / 8, t**3 / 3, t**2 / 2], [t**3 / 6, t**2 / 2, t]]
    )
    model["design"], model["transition"], model["state_cov"] = design, moved, noise
    model["obs_cov"], model["selection"] = (sd**2)[None, None, :], np.eye(3)
    model.initialize_known(np.array([value[state == 0][0], 0.0, 0.0]), np.diag([100.0**2, 100.0**2, 20.0**2]))
    return np.asarray(model.smooth().smoothed_state)


def linear_rows(seed: int, times: int) -> list[dict[str, Any]]:
    """One file of ten passes against ten of one, through the whole review; the same rows in both."""
    from speedlog.course.coursefile import Course
    from speedlog.pipeline import review

    rng = seeded(seed, "ten", 0)
    several = several_scenes(rng, PASSES)
    _, cut = log_several(rng, several, random_logger(rng, RATE_HZ))
    place, trap = several.place, several.scenes[0].trap
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "course.toml").write_bytes(course_toml("ten passes", place, trap).encode("utf-8"))
        course = Course.load(folder / "course.toml")
        (folder / "all.nmea").write_bytes(writers.nmea(joined(cut)))
        for i, log in enumerate(cut):
            (folder / f"{i}.nmea").write_bytes(writers.nmea(log))

        def reviewed(file: str, count: int) -> None:
            found = review([folder / file], course=course)
            if len(found.passes) != count:
                raise SystemExit(f"{file}: {len(found.passes)} passes, not {count}")

        def singly() -> None:
            for i in range(PASSES):
                reviewed(f"{i}.nmea", 1)

        together = statistics.median(cpu_s(lambda: reviewed("all.nmea", PASSES), times))
        alone = statistics.median(cpu_s(singly, times)) / PASSES
    return [
        {"what": "review of one pass in its own file (mean of ten)", "median s": alone, "times one": 1.0},
        {"what": "review of ten passes in one file", "median s": together, "times one": together / alone},
    ]


def joined(logs: tuple[GnssLog, ...]) -> GnssLog:
    """One log after the other, as of a logger that sleeps in between."""
    rows = [key for key, value in vars(logs[0]).items() if isinstance(value, np.ndarray)]
    return replace(logs[0], **{key: np.concatenate([getattr(log, key) for log in logs]) for key in rows})


if __name__ == "__main__":
    _seed, _times_ = int(sys.argv[1]), int(sys.argv[2])
    print(
        json.dumps(
            {"estimate": estimate_rows(_seed, _times_), "linear": linear_rows(_seed, max(_times_ // 4, 1))}
        )
    )
