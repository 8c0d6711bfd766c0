"""Several passes in one log: out and back, driven slowly to the next start, the logger never switched off."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from speedlog.demo.draws import (
    FASTEST_MPS,
    SLOWEST_MPS,
    Plan,
    Rng,
    Scene,
    random_air,
    random_driver,
    random_scene,
)
from speedlog.demo.gnss import GnssLog, GnssLogger, Place, log_gnss
from speedlog.demo.noise import Array
from speedlog.demo.scenario import trap_travel
from speedlog.demo.truth import GRID_S, Truth, drive_pass

_RAMP_S = 2.0  # to start and to stop on the way to the next run


@dataclass(frozen=True, eq=False)
class SeveralScenes:
    """Passes on one line through one trap, and the whole time from before the first to after the last.

    Attributes:
        whole: the motion as one, from the first pass's launch on: `travel_m` is metres ALONG the line,
            `speed_mps` negative on the way back; its other fields are the first pass's and mean nothing.
        place: the line, as driven outbound from its start.
    """

    scenes: tuple[Scene, ...]
    whole: Truth
    place: Place


def several_scenes(rng: Rng, count: int) -> SeveralScenes:
    """`count` passes, each the other way than the one before, with the same car, trap and wind."""
    first = random_scene(rng, Plan())
    scenes, parts = [first], [_part(first)]
    for _ in range(count - 1):
        following = _next_scene(rng, first, scenes[-1])
        start, end = float(parts[-1][0][-1]), following.place.launch_m
        parts.append(_between(rng, start, end))
        before = sum(len(part[0]) for part in parts)
        since_first = float(first.truth.time_s[0] + GRID_S * before - following.truth.time_s[0])
        scenes.append(replace(following, launch_ns=first.launch_ns + round(since_first * 1e9)))
        parts.append(_part(following))
    along, speed = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    whole = replace(
        first.truth, time_s=first.truth.time_s[0] + GRID_S * np.arange(len(along)), travel_m=along,
        speed_mps=speed, accel_mps2=np.gradient(speed, GRID_S),
    )  # fmt: skip
    return SeveralScenes(tuple(scenes), whole, replace(first.place, launch_m=0.0, outbound=True))


def log_several(rng: Rng, several: SeveralScenes, logger: GnssLogger) -> tuple[GnssLog, tuple[GnssLog, ...]]:
    """One log of all, in seconds since the first launch; and each pass's own rows, since its own launch."""
    first = several.scenes[0].launch_ns
    log = log_gnss(rng, several.whole, several.place, logger, first)
    return log, tuple(_cut(log, scene, (scene.launch_ns - first) / 1e9) for scene in several.scenes)


def _cut(log: GnssLog, scene: Scene, launch_s: float) -> GnssLog:
    time = log.true_s - launch_s
    own = (time >= scene.truth.time_s[0]) & (time <= scene.truth.time_s[-1])
    kept = {item.name: getattr(log, item.name) for item in fields(log)}
    rows = {name: value[own] for name, value in kept.items() if isinstance(value, np.ndarray)}
    return replace(log, **rows | {"place": scene.place, "true_s": time[own]})


def _next_scene(rng: Rng, first: Scene, before: Scene) -> Scene:
    """The other way: the same car and wind; run-up, gusts and driver drawn anew. Launched at no time yet."""
    trap, outbound = before.trap, not before.place.outbound
    while True:
        run_up = first.truth.entry_travel_m * rng.uniform(0.6, 1.3)
        launch = trap.entry_m - run_up if outbound else trap.exit_m + run_up
        place = replace(before.place, outbound=outbound, launch_m=launch)
        beams = trap_travel(place, trap)
        air = replace(
            random_air(rng, Plan()), density_kgm3=first.truth.air.density_kgm3,
            head_wind_mps=-before.truth.air.head_wind_mps,
        )  # fmt: skip
        driver = random_driver(rng, Plan(), beams)
        try:
            truth = drive_pass(
                first.truth.car, driver, air, beams, before_s=rng.uniform(2, 6), after_s=rng.uniform(2, 6)
            )
        except ValueError:
            continue
        if SLOWEST_MPS <= truth.trap_mps <= FASTEST_MPS:
            return Scene(truth, place, trap, before.launch_ns)


def _part(scene: Scene) -> tuple[Array, Array]:
    """(along, speed along) of a pass, every millisecond."""
    sign = 1.0 if scene.place.outbound else -1.0
    return scene.place.along(scene.truth.travel_m), sign * scene.truth.speed_mps


def _between(rng: Rng, start_m: float, end_m: float) -> tuple[Array, Array]:
    """(along, speed along): standing, slowly to the next start, standing; every millisecond."""
    far = abs(end_m - start_m)
    lasts = far / rng.uniform(4.0, 8.0) + 2 * _RAMP_S
    time = GRID_S * np.arange(round(lasts / GRID_S))
    # cosine ramps: no jolt where it starts and stops
    ramp = np.clip(np.minimum(time, time[-1] - time) / _RAMP_S, 0.0, 1.0)
    shape = 0.5 - 0.5 * np.cos(np.pi * ramp)
    gone = np.concatenate([[0.0], np.cumsum(0.5 * (shape[1:] + shape[:-1]))]) * GRID_S
    factor = (end_m - start_m) / gone[-1]
    stand, wait = (round(rng.uniform(5.0, 20.0) / GRID_S) for _ in range(2))
    along = np.concatenate([np.full(stand, start_m), start_m + factor * gone, np.full(wait, end_m)])
    return along, np.concatenate([np.zeros(stand), factor * shape, np.zeros(wait)])
