"""The longitudinal simulation: many runs side by side, launch to lift.

dx/dt = v, dv/dt = (F - drag - rolling - slope) / (m + m rot), dq/dt = I pack, by the classical Runge-Kutta
method of fourth order, for K runs at once (a fit needs a hundred that differ little, a sweep fifty). What
limits the force (traction, current limits, voltage) is the least of them at each moment; the ramp ends on a
step. `rate` is the right-hand side by itself, so that the tests can hand it to scipy's `solve_ivp`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speedlog.physics.drive import (
    G_MPS2,
    GROWTH_RPM,
    TURNS,
    current_at_full_voltage,
    current_at_pack_limit,
    open_voltage,
    pack_current,
    torque_constant,
    traction_limit,
    wheel_rpm,
)  # fmt: skip
from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.car import LIMIT_A, Car

Array = NDArray[np.float64]
CORNER = 0.01  # width of the turn from one limit to another, as a share of the motor's
_AMPLE_A = 1e9
LIMITS = ("current limit", "motor limit", "voltage", "traction")  # order of the limits in `Point.which`


@dataclass(frozen=True, eq=False)
class Road:
    """What a run meets. Scalars or (K,).

    Attributes:
        slope: rise over run, along the drive.
    """

    density_kgm3: Array | float = 1.2
    head_mps: Array | float = 0.0
    slope: Array | float = 0.0


@dataclass(frozen=True, eq=False)
class Point:
    """The working point at one moment or many; arrays of one shape.

    `held` are the currents that each of `LIMITS` would allow [A], stacked in front.
    """

    force_n: Array
    motor_a: Array
    pack_a: Array
    pack_v: Array
    open_v: Array
    emf_v: Array
    shaft_w: Array
    grip_n: Array
    wheel_rpm: Array
    held: Array

    @property
    def which(self) -> NDArray[np.int64]:
        """Place in `LIMITS` of the least of the currents."""
        return np.asarray(np.argmin(self.held, axis=0))


class Lanes:
    """K runs side by side: their cars' numbers as arrays, with what is worked out once."""

    def __init__(
        self, cars: Mapping[str, Array], road: Road, corner: float = CORNER, *, ample_voltage: bool = False
    ) -> None:
        """K cars on their roads.

        Args:
            cars: every number of `Car` by its name, (K,) each. corner: how round limits meet, as a share.
            ample_voltage: as if the voltage were never what limits the motor.
        """
        c = {name: np.asarray(value, dtype=float) for name, value in cars.items()}
        self.cars, self.road, self.ample_voltage = c, road, ample_voltage
        self.mass = c["mass_kg"] + c["rotating_kg"]
        self.weight = c["mass_kg"] * G_MPS2
        self.rolling = c["rolling"] * self.weight
        self.drag = 0.5 * np.asarray(road.density_kgm3) * c["drag_area_m2"]
        self.down = 0.5 * np.asarray(road.density_kgm3) * c["down_area_m2"]
        self.climb = self.weight * np.asarray(road.slope)
        self.radius = 0.5 * c["wheel_m"]
        self.per_mass = 1.0 / self.mass
        self.pull = torque_constant(c["kv_rpm_per_v"]) * c["gear_ratio"]
        self.yield_n = c["efficiency"] / self.radius
        self.pack_limit = c["limit_scale"] * c["pack_limit_a"]
        self.motor_limit = c["motor_limit_a"] * (c["pack_limit_a"] / LIMIT_A) ** c["motor_share"]
        self.width, self.corner = corner, (corner * self.motor_limit) ** 2 + 1e-30
        self.half_corner = 0.5 * self.corner
        self.grip_still = traction_limit(self.weight, 0.0, c["friction"], c["driven_share"], c["lever"])
        self.grip_down = traction_limit(self.down, 0.0, c["friction"], c["driven_share"], c["lever"])

    @property
    def count(self) -> int:
        return len(self.mass)

    def against(self, speed: Array, head: Array | float) -> Array:
        """N against the motion: drag, rolling, slope."""
        air = speed + head
        return np.asarray(self.drag * air * np.abs(air) + self.rolling + self.climb)

    def _drive(self, speed: Array, used_as: Array, throttle: Array | float) -> tuple[Array, ...]:
        """Turns, back-EMF, N per A, open voltage, grip, and the four currents of `LIMITS`."""
        c = self.cars
        turns = wheel_rpm(speed, self.radius, c["growth"])
        share = turns / GROWTH_RPM
        share = share * share
        pull = self.pull * (1 + c["bend"] * share)  # V s/rad and N m/A at the wheel
        emf = pull * turns * TURNS
        newtons = pull * self.yield_n / (1 + c["growth"] * share)
        open_v = open_voltage(c["open_v"], c["fall_v_per_ah"], used_as)
        grip = self.grip_still + self.grip_down * speed * speed
        loss, ohm = c["winding_ohm"], c["pack_ohm"]
        return (
            turns, emf, newtons, open_v, grip,
            current_at_pack_limit(open_v, emf, loss, ohm, self.pack_limit * throttle),
            self.motor_limit * throttle,
            _AMPLE_A + 0.0 * emf if self.ample_voltage else current_at_full_voltage(open_v, emf, loss, ohm),
            grip / newtons + c["idle_a"],
        )  # fmt: skip

    def _least(self, one: Array, other: Array) -> Array:
        """The smaller of two limits, rounded where they meet.

        No controller turns from one limit to another within a volt. And a sharp corner where two limits run
        alongside each other would hold a fit there: the sum of squares has the corner too.
        """
        apart = np.abs(one - other)  # this form and not half of sum less root: no difference of great numbers
        return np.asarray(
            np.minimum(one, other) - self.half_corner / (apart + np.sqrt(apart * apart + self.corner))
        )

    def point(self, speed: Array, used_as: Array, throttle: Array | float) -> Point:
        """What the drive does at speeds (…, K), charges used and throttles (0 to 1)."""
        c = self.cars
        turns, emf, newtons, open_v, grip, *limits = self._drive(speed, used_as, throttle)
        held = np.stack(np.broadcast_arrays(*limits))
        motor = np.maximum(self._least(self._least(held[0], held[2]), self._least(held[1], held[3])), 0.0)
        pack = pack_current(open_v, c["pack_ohm"], motor * (emf + motor * c["winding_ohm"]))
        driving = np.maximum(motor - c["idle_a"], 0.0)
        return Point(
            newtons * driving, motor, pack, open_v - pack * c["pack_ohm"], open_v, emf, emf * driving, grip, turns,
            held,
        )  # fmt: skip

    def rate(
        self, speed: Array, used_as: Array, throttle: Array | float, head: Array | float
    ) -> tuple[Array, Array]:
        """(dv/dt, dq/dt), (K,) each. A car at rest that isn't pushed stays there."""
        c = self.cars
        _, emf, newtons, open_v, _, one, two, three, four = self._drive(speed, used_as, throttle)
        motor = np.maximum(self._least(self._least(one, three), self._least(two, four)), 0.0)
        pack = pack_current(open_v, c["pack_ohm"], motor * (emf + motor * c["winding_ohm"]))
        left = newtons * np.maximum(motor - c["idle_a"], 0.0) - self.against(speed, head)
        return np.where((speed <= 0) & (left < 0), 0.0, left) * self.per_mass, pack


@dataclass(frozen=True, eq=False)
class Runs:
    """K runs. Arrays are (T, K): each run has its own times."""

    lanes: Lanes
    time_s: Array
    travel_m: Array
    speed_mps: Array
    used_as: Array
    throttle: Array
    head_mps: Array
    half_throttle: Array  # (T - 1, K), in the middle of each step
    half_head_mps: Array

    def point(self) -> Point:
        """The working point all along."""
        return self.lanes.point(self.speed_mps, self.used_as, self.throttle)

    def accel(self, at: Point) -> Array:
        """(T, K) m/s²."""
        left = at.force_n - self.lanes.against(self.speed_mps, self.head_mps)
        return np.asarray(np.where((self.speed_mps <= 0) & (left < 0), 0.0, left) / self.lanes.mass)

    def at_travel(self, travel_m: Array | float) -> tuple[Array, Array]:
        """(time, speed), (K,) each, where a distance is reached; NaN where it never is. Cubic between steps."""
        wanted = np.broadcast_to(np.asarray(travel_m, dtype=float), (self.lanes.count,))
        step = np.argmax(self.travel_m >= wanted, axis=0)
        there = np.take_along_axis(self.travel_m >= wanted, step[None], axis=0)[0] & (step > 0)
        k, lane = np.maximum(step, 1), np.arange(self.lanes.count)
        t0, h = self.time_s[k - 1, lane], self.time_s[k, lane] - self.time_s[k - 1, lane]
        x0, x1 = self.travel_m[k - 1, lane], self.travel_m[k, lane]
        v0, v1 = self.speed_mps[k - 1, lane] * h, self.speed_mps[k, lane] * h
        u = (wanted - x0) / np.maximum(x1 - x0, 1e-12)
        for _ in range(6):  # Newton on the cubic of Hermite
            value = x0 + u * (v0 + u * (3 * (x1 - x0) - 2 * v0 - v1 + u * (v0 + v1 - 2 * (x1 - x0))))
            slope = v0 + u * (2 * (3 * (x1 - x0) - 2 * v0 - v1) + 3 * u * (v0 + v1 - 2 * (x1 - x0)))
            u = np.clip(u - (value - wanted) / np.where(np.abs(slope) < 1e-12, 1.0, slope), 0.0, 1.0)
        slope = v0 + u * (2 * (3 * (x1 - x0) - 2 * v0 - v1) + 3 * u * (v0 + v1 - 2 * (x1 - x0)))
        return np.where(there, t0 + u * h, np.nan), np.where(there, slope / h, np.nan)


@dataclass(frozen=True, eq=False)
class Script:
    """What the driver and the wind do at the half steps of the integration.

    Attributes:
        time_s: (2 T + 1, K) or (2 T + 1, 1), beginning at 0; whole steps at the even rows.
        throttle, head_mps: of a shape that goes with it.
    """

    time_s: Array
    throttle: Array
    head_mps: Array


def script(cars: Sequence[Car], head_mps: Array | float, settings: ForecastSettings) -> Script:
    """Each car's own ramp, then full throttle; the ramp ends on a step. Head wind steady, (K,)."""
    ramps = np.array([max(car.ramp_s, 1e-3) for car in cars])
    rise = np.linspace(0.0, 1.0, 2 * settings.ramp_steps + 1)
    steps = int(np.ceil(settings.longest_run_s / settings.step_s))
    level = 0.5 * settings.step_s * np.arange(1, 2 * steps + 1)
    time = np.concatenate([rise[:, None] * ramps, ramps + level[:, None]])
    opened = np.ones_like(time)
    for k, car in enumerate(cars):
        opened[: len(rise), k] = np.interp(rise, np.linspace(0, 1, len(car.squeeze)), car.squeeze)
    return Script(time, opened, np.broadcast_to(np.asarray(head_mps, dtype=float), time.shape))


def integrate(lanes: Lanes, plan: Script, until_m: Array | float = np.inf) -> Runs:
    """Drive from rest until every run has gone `until_m`, or the script ends."""
    time, count = plan.time_s, lanes.count
    steps = (len(time) - 1) // 2
    x, v, q = np.zeros(count), np.zeros(count), np.zeros(count)
    kept = [(x, v, q)]
    for i in range(steps):
        h = time[2 * i + 2] - time[2 * i]
        o0, o1, o2 = plan.throttle[2 * i], plan.throttle[2 * i + 1], plan.throttle[2 * i + 2]
        w0, w1, w2 = plan.head_mps[2 * i], plan.head_mps[2 * i + 1], plan.head_mps[2 * i + 2]
        a1, i1 = lanes.rate(v, q, o0, w0)
        va = v + 0.5 * h * a1
        a2, i2 = lanes.rate(va, q + 0.5 * h * i1, o1, w1)
        vb = v + 0.5 * h * a2
        a3, i3 = lanes.rate(vb, q + 0.5 * h * i2, o1, w1)
        vc = v + h * a3
        a4, i4 = lanes.rate(vc, q + h * i3, o2, w2)
        x = x + h / 6 * (v + 2 * va + 2 * vb + vc)
        v = np.maximum(v + h / 6 * (a1 + 2 * a2 + 2 * a3 + a4), 0.0)
        q = q + h / 6 * (i1 + 2 * i2 + 2 * i3 + i4)
        kept.append((x, v, q))
        if np.all(x >= until_m):
            break
    n = len(kept)
    travel, speed, used = (np.array([row[j] for row in kept]) for j in range(3))
    shape = travel.shape
    return Runs(
        lanes, np.broadcast_to(time[0 : 2 * n : 2], shape), travel, speed, used,
        *(np.broadcast_to(part[0 : 2 * n : 2], shape) for part in (plan.throttle, plan.head_mps)),
        *(np.broadcast_to(part[1 : 2 * n - 1 : 2], (n - 1, count)) for part in (plan.throttle, plan.head_mps)),
    )  # fmt: skip


def lanes_of(cars: Sequence[Car], road: Road, corner: float = CORNER) -> Lanes:
    """Cars side by side."""
    rows = [car.values() for car in cars]
    return Lanes({name: np.array([row[name] for row in rows]) for name in rows[0]}, road, corner)


def run_up(
    cars: Sequence[Car], road: Road, until_m: Array | float, settings: ForecastSettings, corner: float = CORNER
) -> Runs:  # fmt: skip
    """Full-throttle runs of several cars, each up its own ramp, until each has gone `until_m`."""
    return integrate(lanes_of(cars, road, corner), script(cars, road.head_mps, settings), until_m)


@dataclass(frozen=True)
class Energy:
    """Where a run's energy went, J; `error` is what is not accounted for, over what the pack gave."""

    pack: float
    pack_heat: float
    winding_heat: float
    idle: float
    gear_and_slip: float
    drag: float
    rolling: float
    climb: float
    kinetic: float

    @property
    def error(self) -> float:
        spent = (self.pack_heat, self.winding_heat, self.idle, self.gear_and_slip, self.drag, self.rolling)
        return abs(self.pack - sum(spent) - self.climb - self.kinetic) / max(self.pack, 1e-9)


def energy_of(runs: Runs, lane: int = 0) -> Energy:
    """The balance of one run: each flow integrated by the run's own four slopes a step."""
    one = single(runs, lane)
    lanes, c = one.lanes, one.lanes.cars
    h = np.diff(one.time_s, axis=0)
    v, q = one.speed_mps[:-1], one.used_as[:-1]
    opened = (one.throttle[:-1], one.half_throttle, one.half_throttle, one.throttle[1:])
    head = (one.head_mps[:-1], one.half_head_mps, one.half_head_mps, one.head_mps[1:])
    names = ("pack", "pack_heat", "winding_heat", "idle", "gear_and_slip", "drag", "rolling", "climb")
    total = dict.fromkeys(names, 0.0)
    vs, qs = v, q
    for k, (ahead, weight) in enumerate(((0.5, 1), (0.5, 2), (1.0, 2), (0.0, 1))):
        at = lanes.point(vs, qs, opened[k])
        rate, amps = lanes.rate(vs, qs, opened[k], head[k])
        air = vs + head[k]
        flows = (
            at.open_v * at.pack_a, at.pack_a**2 * c["pack_ohm"], at.motor_a**2 * c["winding_ohm"],
            at.emf_v * at.motor_a - at.shaft_w, at.shaft_w - at.force_n * vs, lanes.drag * air * abs(air) * vs,
            lanes.rolling * vs, lanes.climb * vs,
        )  # fmt: skip
        for name, flow in zip(names, flows, strict=True):
            total[name] += float(np.sum(weight / 6 * h * flow))
        vs, qs = v + ahead * h * rate, q + ahead * h * amps
    return Energy(kinetic=float(0.5 * lanes.mass[0] * one.speed_mps[-1, 0] ** 2), **total)


def single(runs: Runs, lane: int) -> Runs:
    """One run by itself."""
    cars = {name: value[lane : lane + 1] for name, value in runs.lanes.cars.items()}
    road = replace(
        runs.lanes.road,
        **{
            name: np.broadcast_to(
                np.asarray(getattr(runs.lanes.road, name), dtype=float), (runs.lanes.count,)
            )[lane : lane + 1]
            for name in ("density_kgm3", "head_mps", "slope")
        },
    )
    cut = slice(lane, lane + 1)
    return Runs(
        Lanes(cars, road, runs.lanes.width),
        runs.time_s[:, cut],
        runs.travel_m[:, cut],
        runs.speed_mps[:, cut],
        runs.used_as[:, cut],
        runs.throttle[:, cut],
        runs.head_mps[:, cut],
        runs.half_throttle[:, cut],
        runs.half_head_mps[:, cut],
    )
