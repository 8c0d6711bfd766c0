"""Families of random passes for the benchmarks: what each fixes, what it spoils; the rest is drawn."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from speedlog.demo import disturb
from speedlog.demo.controller import ControllerLog
from speedlog.demo.draws import Plan, Rng, Scene, gear_of, random_controller, random_logger, random_scene
from speedlog.demo.gnss import EARTH, GnssLog, Label, log_gnss
from speedlog.demo.scenario import Format, SimulatedPass, official_speed
from speedlog.demo.several import log_several, several_scenes


def family(name: str, rng: Rng) -> SimulatedPass:
    """A random pass of a family (`FAMILIES`).

    Raises:
        KeyError: no such family.
    """
    return FAMILIES[name](name, rng)


def built_pass(
    name: str, rng: Rng, scene: Scene, logs: list[GnssLog], wheel: ControllerLog | None = None
) -> SimulatedPass:
    """A pass of what was driven and logged: file forms, the ruler's wheel and the trap figure drawn."""
    formats: tuple[Format, ...] = ("nmea", "nmea", "nmea", "csv", "gpx")
    dead = any(label.kind in ("dead_reckoned", "no_fix") for log in logs for label in log.labels)
    files = []
    for i, log in enumerate(logs):
        form = "nmea" if dead else formats[int(rng.integers(0, len(formats)))]
        files.append((f"gnss_{chr(97 + i)}.{form}", form, log))
    tyre, measured = scene.truth.car.tyre, rng.uniform(0.985, 1.015)  # by a ruler on a worn tyre
    return SimulatedPass(
        family=name, truth=scene.truth, place=scene.place, trap=scene.trap, launch_ns=scene.launch_ns,
        official_mps=official_speed(rng, scene.truth, scene.trap), gnss=tuple(files),
        wheel=None if wheel is None else ("controller.csv", wheel),
        wheel_diameter_m=None if wheel is None else round(2 * tyre.standing_radius_m * measured, 4),
        gear_ratio=gear_of(scene.truth.car),
    )  # fmt: skip


def _log(rng: Rng, scene: Scene, rate_hz: float | None = None, **changed: float) -> GnssLog:
    logger = replace(random_logger(rng, rate_hz), **changed)  # type: ignore[arg-type]
    return log_gnss(rng, scene.truth, scene.place, logger, scene.launch_ns)


def _over_trap(rng: Rng, scene: Scene, least: float = 0.05, most: float = 0.8) -> tuple[float, float]:
    """A stretch of time that holds the whole transit of the trap."""
    return scene.truth.entry_s - rng.uniform(least, most), scene.truth.exit_s + rng.uniform(least, most)


def _clean(rate_hz: float) -> Callable[[str, Rng], SimulatedPass]:
    def make(name: str, rng: Rng) -> SimulatedPass:
        scene = random_scene(rng, Plan())
        return built_pass(name, rng, scene, [_log(rng, scene, rate_hz)])

    return make


def _gap(name: str, rng: Rng, *, wheel: bool = False, plan: Plan | None = None) -> SimulatedPass:
    scene = random_scene(rng, plan or Plan())
    log = disturb.gap(_log(rng, scene, float(rng.choice([10, 20, 25]))), *_over_trap(rng, scene))
    return built_pass(name, rng, scene, [log], random_controller(rng, scene) if wheel else None)


def _ceiling(name: str, rng: Rng) -> SimulatedPass:
    scene = random_scene(rng, Plan())
    top = scene.truth.peak_mps - rng.uniform(0.5, 6.0)
    return built_pass(name, rng, scene, [disturb.ceiling(_log(rng, scene), top)])


def _frozen(name: str, rng: Rng) -> SimulatedPass:
    scene = random_scene(rng, Plan())
    start = scene.truth.entry_s - rng.uniform(0.0, 0.6)
    log = disturb.frozen(
        _log(rng, scene, float(rng.choice([10, 20, 25]))), start, start + rng.uniform(0.3, 1.2)
    )
    return built_pass(name, rng, scene, [log])


def _with_outliers(rng: Rng, scene: Scene, log: GnssLog) -> GnssLog:
    least = max(1.0, 8 * log.logger.speed_white_mps)
    for _ in range(int(rng.integers(1, 5))):
        near = rng.random() < 0.5
        at = rng.uniform(*_over_trap(rng, scene)) if near else rng.uniform(2.0, scene.truth.stop_s - 1.0)
        size = least * math.exp(rng.uniform(0, math.log(40.0 / least))) * (1 if rng.random() < 0.6 else -1)
        place = rng.normal(0, 5) if rng.random() < 0.3 else 0.0
        log = disturb.outlier(log, at, int(rng.integers(1, 6)), size, place)
    return log


def _outliers(name: str, rng: Rng) -> SimulatedPass:
    scene = random_scene(rng, Plan())
    return built_pass(name, rng, scene, [_with_outliers(rng, scene, _log(rng, scene))])


def _spoil(rng: Rng, scene: Scene, log: GnssLog) -> GnssLog:
    """One to three faults of different kinds, not over each other."""
    kinds = rng.permutation(["outlier", "ceiling", "poor_fix", "frozen", "dead_reckoned", "no_fix", "gap"])
    chosen = set(kinds[: int(rng.integers(1, 4))].tolist())
    if "ceiling" in chosen:
        log = disturb.ceiling(log, scene.truth.peak_mps - rng.uniform(0.5, 6.0))
    if "outlier" in chosen:
        log = _with_outliers(rng, scene, log)
    if "poor_fix" in chosen:
        start = rng.uniform(2, scene.truth.stop_s - 3)
        log = disturb.poor_fix(log, rng, start, start + rng.uniform(0.5, 3))
    blank = [kind for kind in ("frozen", "dead_reckoned", "no_fix", "gap") if kind in chosen]
    for i, kind in enumerate(blank):
        # the first stands about the trap, the others elsewhere
        if i == 0:
            start, end = _over_trap(rng, scene)
        else:
            start = rng.uniform(1.5, max(scene.truth.entry_s - 3.5, 1.6))
            end = start + rng.uniform(0.3, 1.2)
        log = {"frozen": disturb.frozen, "dead_reckoned": disturb.dead_reckoned,
               "no_fix": disturb.no_fix, "gap": disturb.gap}[kind](log, start, end)  # fmt: skip
    return log


def _mixed(name: str, rng: Rng, plan: Plan | None = None) -> SimulatedPass:
    scene = random_scene(rng, plan or Plan(gusts_mps=1.0))
    logs = [_spoil(rng, scene, _log(rng, scene))]
    if rng.random() < 0.4:
        logs.append(_spoil(rng, scene, _log(rng, scene)) if rng.random() < 0.5 else _log(rng, scene))
    wheel = random_controller(rng, scene, int(rng.integers(0, 3))) if rng.random() < 0.5 else None
    return built_pass(name, rng, scene, logs, wheel)


def _two_loggers(name: str, rng: Rng) -> SimulatedPass:
    scene = random_scene(rng, Plan())
    sound = _log(rng, scene, float(rng.choice([10, 20, 25])))
    holed = disturb.gap(_log(rng, scene, float(rng.choice([10, 20, 25]))), *_over_trap(rng, scene))
    return built_pass(name, rng, scene, [holed, sound])


def _lift_before(name: str, rng: Rng) -> SimulatedPass:
    scene = random_scene(rng, Plan(lift="before"))
    return built_pass(name, rng, scene, [_log(rng, scene, float(rng.choice([10, 20, 25])))])


def _lag(name: str, rng: Rng, *, loggers: int = 1, wheel: bool = False) -> SimulatedPass:
    scene = random_scene(rng, Plan())
    logs = []
    for _ in range(loggers):
        size = rng.uniform(0.05, 0.5)
        kind = "speed_filter_s" if rng.random() < 0.5 else "speed_delay_s"
        logs.append(_log(rng, scene, float(rng.choice([10, 20, 25])), **{kind: size}))
    if loggers == 1 and name == "two_loggers_one_lagging":
        logs.append(_log(rng, scene, float(rng.choice([10, 20, 25]))))
    return built_pass(name, rng, scene, logs, random_controller(rng, scene) if wheel else None)


def _trap_place(name: str, rng: Rng) -> SimulatedPass:
    """The trap stands 0.3 to 2 m from where course.toml says, under a stated `place_u_m`."""
    scene = random_scene(rng, Plan(place_u_m=round(float(rng.uniform(0.3, 2.0)), 2)))
    off = rng.normal(0, scene.trap.place_u_m)
    stated = replace(
        scene.trap, entry_m=round(scene.trap.entry_m + off, 3), exit_m=round(scene.trap.exit_m + off, 3)
    )
    return replace(built_pass(name, rng, scene, [_log(rng, scene)]), trap=stated)


def _tails(name: str, rng: Rng) -> SimulatedPass:
    scene = random_scene(rng, Plan())
    log = disturb.heavy_tails(_log(rng, scene), rng)
    for _ in range(int(rng.integers(0, 3))):
        start = rng.uniform(2, scene.truth.stop_s - 2)
        log = disturb.place_jump(log, start, start + rng.uniform(0.3, 3), rng.normal(0, 4))
    return built_pass(name, rng, scene, [log])


def _other_car(plan: Plan, *, bursts: int = 0, wheel: bool = True) -> Callable[[str, Rng], SimulatedPass]:
    def make(name: str, rng: Rng) -> SimulatedPass:
        scene = random_scene(rng, plan)
        log = disturb.gap(_log(rng, scene, float(rng.choice([10, 20, 25]))), *_over_trap(rng, scene))
        return built_pass(name, rng, scene, [log], random_controller(rng, scene, bursts) if wheel else None)

    return make


def _several(name: str, rng: Rng) -> SimulatedPass:
    """Two to four passes back and forth in the log of one logger that stays on."""
    several = several_scenes(rng, int(rng.integers(2, 5)))
    whole, logs = log_several(rng, several, random_logger(rng))
    first, *others = (
        built_pass(name, rng, scene, [log]) for scene, log in zip(several.scenes, logs, strict=True)
    )
    [(file, form, _)] = first.gnss
    # one file: every pass in the first one's name and form
    parts = [first, *(replace(item, gnss=((file, form, item.gnss[0][2]),)) for item in others)]
    return replace(first, gnss=((file, form, whole),), parts=tuple(parts))


def _slow_and_late(name: str, rng: Rng) -> SimulatedPass:
    """A lagging logger of one epoch a second, or of five."""
    scene = random_scene(rng, Plan())
    kind = "speed_filter_s" if rng.random() < 0.5 else "speed_delay_s"
    log = _log(rng, scene, float(rng.choice([1, 5])), **{kind: rng.uniform(0.05, 0.5)})
    return built_pass(name, rng, scene, [log])


def _common_delay(name: str, rng: Rng, *, beside: bool = False) -> SimulatedPass:
    """Speed and place late by the same time: nothing that a lone logger's own log could show."""
    scene = random_scene(rng, Plan())
    logs = [_log(rng, scene, float(rng.choice([10, 20, 25])), delay_s=rng.uniform(0.05, 0.5))]
    if beside:
        logs.append(_log(rng, scene, float(rng.choice([10, 20, 25]))))
    return built_pass(name, rng, scene, logs)


def _hump(rng: Rng, scene: Scene, log: GnssLog, *, places_too: bool = False) -> GnssLog:
    """A stretch of 2 to 5 s about the trap in which the speed reads 1 to 5 m/s off, with smooth edges.

    Args:
        places_too: the places go by the wrong speed as well: the log does not contradict itself.
    """
    lasting, size = rng.uniform(2, 5), rng.uniform(1, 5) * rng.choice([-1.0, 1.0])
    middle = (scene.truth.entry_s + scene.truth.exit_s) / 2 + rng.uniform(-lasting / 2, lasting / 2)
    edge = rng.uniform(0.3, 0.8)
    inside = lasting / 2 - np.abs(log.true_s - middle)
    error = size * np.sin(math.pi / 2 * np.clip(inside / edge, 0, 1)) ** 2
    hit = error != 0
    if not hit.any():
        return log
    assert log.spoilt is not None
    label = Label("outlier", float(log.true_s[hit][0]), float(log.true_s[hit][-1]))
    speed = np.abs(log.speed_mps + error)
    log = replace(log, speed_mps=speed, labels=(*log.labels, label), spoilt=log.spoilt | hit)
    if not places_too:
        return log
    gone = np.concatenate([[0.0], np.cumsum(np.diff(log.true_s) * (error[1:] + error[:-1]) / 2)])
    toward = log.place.heading_deg + (0.0 if log.place.outbound else 180.0)
    lon, lat, _ = EARTH.fwd(log.lon_deg, log.lat_deg, np.full(len(gone), toward), gone)
    return replace(log, lat_deg=np.asarray(lat), lon_deg=np.asarray(lon))


def _one_wrong(
    name: str, rng: Rng, *, loggers: int = 2, wheel: bool = False, places_too: bool = False
) -> SimulatedPass:
    """Several loggers, one of them wrong for some seconds near the trap."""
    scene = random_scene(rng, Plan())
    logs = [_log(rng, scene, float(rng.choice([10, 20, 25]))) for _ in range(loggers)]
    logs[0] = _hump(rng, scene, logs[0], places_too=places_too)
    return built_pass(name, rng, scene, logs, random_controller(rng, scene) if wheel else None)


def _one_high(name: str, rng: Rng) -> SimulatedPass:
    """Two loggers, one of which reads 0.8 to 1.5 % high or low all along; its places are sound."""
    scene = random_scene(rng, Plan())
    logs = [_log(rng, scene, float(rng.choice([10, 20, 25]))) for _ in range(2)]
    share = rng.uniform(0.008, 0.015) * rng.choice([-1.0, 1.0])
    logs[0] = replace(logs[0], speed_mps=logs[0].speed_mps * (1 + share))
    return built_pass(name, rng, scene, logs)


def _any_car(rng: Rng) -> Plan:
    """Towed to speed, pushed by its rear wheels alone, in strong gusts, or over a bump."""
    plans = (Plan(drive="tow"), Plan(drive="rear"), Plan(gusts_mps=2.5), Plan(bump=True))
    return plans[int(rng.integers(0, len(plans)))]


FAMILIES: dict[str, Callable[[str, Rng], SimulatedPass]] = {
    "clean_25hz": _clean(25.0),
    "clean_10hz": _clean(10.0),
    "clean_1hz": _clean(1.0),
    "gap": _gap,
    "gap_wheel": lambda name, rng: _gap(name, rng, wheel=True),
    "ceiling": _ceiling,
    "frozen": _frozen,
    "outliers": _outliers,
    "mixed": _mixed,
    "two_loggers_gap": _two_loggers,
    "lift_before": _lift_before,
    # for coverage rather than error
    "lag": _lag,
    "two_lags": lambda name, rng: _lag(name, rng, loggers=2),
    "two_loggers_one_lagging": _lag,
    "lag_wheel": lambda name, rng: _lag(name, rng, wheel=True),
    "trap_place": _trap_place,
    "heavy_tails": _tails,
    "return": lambda name, rng: built_pass(
        name, rng, scene := random_scene(rng, Plan(outbound=False)), [_log(rng, scene)]
    ),
    "lift_in_gap": lambda name, rng: _gap(name, rng, plan=Plan(lift="gap")),
    "wheelspin_bump": _other_car(Plan(bump=True), bursts=3),
    "rear_drive_gap": _other_car(Plan(drive="rear")),
    "towed_gap": _other_car(Plan(drive="tow"), wheel=False),
    "gusts_gap": _other_car(Plan(gusts_mps=2.5), wheel=False),
    "several_passes": _several,
    "lift_in_gap_wheel": lambda name, rng: _gap(name, rng, wheel=True, plan=Plan(lift="gap")),
    "traction_gap": _other_car(Plan(drive="rear"), wheel=False),
    "lag_1hz_5hz": _slow_and_late,
    "common_delay": _common_delay,
    "two_loggers_common_delay": lambda name, rng: _common_delay(name, rng, beside=True),
    "other_cars_10hz": lambda name, rng: built_pass(
        name, rng, scene := random_scene(rng, _any_car(rng)), [_log(rng, scene, 10.0)]
    ),
    "other_cars_1hz": lambda name, rng: built_pass(
        name, rng, scene := random_scene(rng, _any_car(rng)), [_log(rng, scene, 1.0)]
    ),
    "other_cars_mixed": lambda name, rng: _mixed(name, rng, _any_car(rng)),
    "two_loggers": lambda name, rng: built_pass(
        name, rng, scene := random_scene(rng, Plan()),
        [_log(rng, scene, float(rng.choice([10, 20, 25]))) for _ in range(2)],
    ),
    "one_wrong": _one_wrong,
    "one_wrong_wheel": lambda name, rng: _one_wrong(name, rng, wheel=True),
    "one_wrong_of_three": lambda name, rng: _one_wrong(name, rng, loggers=3),
    "one_wrong_places_too": lambda name, rng: _one_wrong(name, rng, places_too=True),
    "one_high": _one_high,
}  # fmt: skip
MAIN_FAMILIES: tuple[str, ...] = tuple(FAMILIES)[:11]
