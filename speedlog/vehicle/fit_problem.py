"""What a fit of the car makes least: the readings of all passes less what the car's numbers make of them, whitened."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from speedlog.settings.forecast import ForecastSettings
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle.car import PARTS, Array, Car
from speedlog.vehicle.observed import Channel, Observed
from speedlog.vehicle.simulate import Lanes, Road, Runs, Script, integrate

LEARNED = tuple(part for part in PARTS if not part.given)
_SITE = VehicleSettings()
_STEP = 1e-4  # of the differences, in spreads: well within the narrowest posterior, far above rounding


def learned_value(name: str, prior: Car, scaled: float) -> float:
    """A number at so many spreads from its first guess."""
    part = next(item for item in PARTS if item.name == name)
    guess = float(getattr(prior, name))
    if part.relative:
        return float(guess * np.exp(part.spread * scaled))
    return float(guess + part.spread * scaled)


class Problem:
    """Residuals of all passes as a function of u: the car's numbers, then each pass's own.

    `ample_voltage`: as if the voltage were never what limits the motor.
    """

    def __init__(self, prior: Car, passes: Sequence[Observed], settings: ForecastSettings) -> None:
        self.ample_voltage = False
        self.prior, self.passes, self.settings = prior, passes, settings
        self.shared = len(LEARNED) + 1  # and the scale of the current
        self.spans = [item.lift_s - item.start_s for item in passes]
        self.knots = [np.arange(0.0, span + settings.gust_s, settings.gust_s) for span in self.spans]
        self.own = [3 + len(knots) for knots in self.knots]  # rest voltage, clock, mean wind, gusts
        self.first = [self.shared + int(sum(self.own[:k])) for k in range(len(passes))]
        self.size = self.shared + int(sum(self.own))
        self.cars = [setup_of(prior, item) for item in passes]
        self.whiteners = [[channel.whitener() for channel in item.channels] for item in passes]
        half = 0.5 * settings.step_s
        self.half_s: Array = half * np.arange(
            2 * int(np.ceil(max(self.spans) / settings.step_s)) + 3, dtype=np.float64
        )
        self.scale = logged_over_true(passes)
        self.opened = [self._throttle(k) for k in range(len(passes))]

    def _throttle(self, k: int) -> Array:
        """Held after the lift, so that no step before it knows of it."""
        item, time = self.passes[k], np.minimum(self.half_s, self.spans[k])
        if item.throttle is None:
            return self.cars[k].throttle(time)
        return np.asarray(np.interp(time, item.throttle[0], item.throttle[1]))

    def runs(self, lanes: Sequence[tuple[int, Array]]) -> Runs:
        """Simulate (pass, u) pairs side by side."""
        rows: dict[str, list[float]] = {part.name: [] for part in PARTS}
        density, opened, head = [], [], []
        for k, u in lanes:
            values = self.cars[k].values()
            for place, part in enumerate(LEARNED):
                moved = part.spread * u[place]
                values[part.name] = (
                    values[part.name] * np.exp(moved) if part.relative else values[part.name] + moved
                )
            own = u[self.first[k] : self.first[k] + self.own[k]]
            values["open_v"] += self._rest_u(k) * own[0]
            for name, value in values.items():
                rows[name].append(float(value))
            item = self.passes[k]
            gusts = self.settings.gust_mps * np.interp(self.half_s, self.knots[k], own[3:])
            head.append(item.head_mps + item.head_u_mps * own[2] + gusts)
            density.append(item.density_kgm3)
            opened.append(self.opened[k])
        time = self.half_s[:, None]
        cars = {name: np.array(values) for name, values in rows.items()}
        return integrate(
            Lanes(cars, Road(np.array(density)), ample_voltage=self.ample_voltage),
            Script(time, np.array(opened).T, np.array(head).T),
        )

    def _rest_u(self, k: int) -> float:
        """V: beside a logged rest voltage 0.03 V of noise, else what a charge leaves open."""
        return 0.03 if self.passes[k].rest_v is not None else 0.002 * self.cars[k].open_v

    def residuals(self, runs: Runs, lanes: Sequence[tuple[int, Array]]) -> list[Array]:
        """Of each lane: whitened readings less the simulation's."""
        at = runs.point()
        cars = runs.lanes.cars
        turns = (
            at.wheel_rpm * (1 + cars["slip"] * at.force_n / np.maximum(at.grip_n, 1.0)) * cars["gear_ratio"]
        )
        found = []
        for lane, (k, u) in enumerate(lanes):
            item = self.passes[k]
            clock = (self.settings.clock_s if item.throttle else self.settings.launch_s) * u[
                self.first[k] + 1
            ]
            scale = np.exp(self.scale[0] + self.scale[1] * u[self.shared - 1])
            drawn = at.motor_a if item.current_of == "motor" else at.pack_a
            curves = {
                "speed": (runs.speed_mps[:, lane], clock), "rpm": (turns[:, lane], 0.0),
                "current": (scale * drawn[:, lane], 0.0), "voltage": (at.pack_v[:, lane], 0.0),
            }  # fmt: skip
            parts = []
            for channel, white in zip(item.channels, self.whiteners[k], strict=True):
                curve, late = curves[channel.kind]
                when = channel.time_s - item.start_s - late
                parts.append(
                    white
                    @ (channel.value - _smooth(when, self.settings.step_s, curve, runs, channel.kind, lane))
                )
            found.append(np.concatenate(parts))
        return found

    def base(self, u: Array) -> tuple[Array, list[Array], Runs]:
        lanes = [(k, u) for k in range(len(self.passes))]
        runs = self.runs(lanes)
        parts = self.residuals(runs, lanes)
        return np.concatenate(parts), parts, runs

    def jacobian(self, u: Array, parts: Sequence[Array]) -> Array:
        """(N, P) by differences from `parts`, the residuals at u; every run of it side by side."""
        lanes, columns = [], []
        for k in range(len(self.passes)):
            for place in [*range(self.shared), *range(self.first[k], self.first[k] + self.own[k])]:
                moved = u.copy()
                moved[place] += _STEP
                lanes.append((k, moved))
                columns.append((k, place))
        moved_parts = self.residuals(self.runs(lanes), lanes)
        ends = np.concatenate([[0], np.cumsum([len(part) for part in parts])])
        found = np.zeros((int(ends[-1]), self.size))
        for (k, place), part in zip(columns, moved_parts, strict=True):
            found[ends[k] : ends[k + 1], place] = (part - parts[k]) / _STEP
        return found

    def weigh(self, parts: Sequence[Array]) -> None:
        """Weigh each kind of reading by its own scatter about the fit: white and slow noise of greatest likelihood."""
        sets: dict[str, list[tuple[int, int, Channel, Array]]] = {}
        for k, item in enumerate(self.passes):
            for n, (channel, piece) in enumerate(zip(item.channels, _split(item, parts[k]), strict=True)):
                off: Array = np.asarray(np.linalg.solve(self.whiteners[k][n], piece), dtype=np.float64)
                sets.setdefault(channel.kind, []).append((k, n, channel, off))
        for kept in sets.values():
            white, slow = likeliest([(channel, off) for _, _, channel, off in kept], self.settings)
            for k, n, channel, _ in kept:
                self.whiteners[k][n] = channel.whitener(white, slow)


def logged_over_true(passes: Sequence[Observed]) -> tuple[float, float]:
    """Logarithm of the logged current over the true one before the fit, and its standard uncertainty.

    What such loggers are worth and what the charge put back says are weighed together. One charger: its error is the
    same in all passes, so that many tell no more of it than one.
    """
    told = [item.by_charge for item in passes if item.by_charge is not None]
    if not told:
        return 0.0, _SITE.scale_u
    ratio = float(np.mean([item.value for item in told]))
    own_u = float(np.mean([item.standard_u / item.value for item in told]))
    weight = _SITE.scale_u**-2 + own_u**-2
    return -float(np.log(ratio)) * own_u**-2 / weight, weight**-0.5


def likeliest(sets: Sequence[tuple[Channel, Array]], settings: ForecastSettings) -> tuple[float, float]:
    """Factors of white and slow noise under which the misfits are likeliest, on a grid."""
    lots = []
    for (
        channel,
        off,
    ) in sets:  # C = w² D + f² S is diagonal for all w and f at once in the basis of D^-½ S D^-½
        apart = np.abs(channel.time_s[:, None] - channel.time_s[None, :])
        share = channel.slow_sd / channel.sd
        value, basis = np.linalg.eigh(np.outer(share, share) * np.exp(-apart / channel.slow_s))
        lots.append((np.maximum(value, 0.0), np.square(basis.T @ (off / channel.sd))))
    best, found = np.inf, (1.0, 1.0)
    for white in settings.white_factors:
        for slow in settings.slow_factors:
            cost = (np.log(slow) / np.log(4.0)) ** 2  # a weak prior: a factor of 4 is one standard deviation
            for value, square in lots:
                variance = white**2 + slow**2 * value
                cost += float(np.sum(square / variance + np.log(variance)))
            if cost < best:
                best, found = cost, (white, slow)
    return found


def _split(item: Observed, part: Array) -> list[Array]:
    ends = np.cumsum([len(channel.time_s) for channel in item.channels])
    return np.split(part, ends[:-1])


def _smooth(when: Array, step: float, curve: Array, runs: Runs, kind: str, lane: int) -> Array:
    """A curve of the simulation at any times: cubic for the speed, straight for what may have kinks."""
    place = np.clip(when / step, 0, len(curve) - 1 - 1e-9)
    k = place.astype(np.int64)
    u = place - k
    if kind != "speed":
        return np.asarray(curve[k] * (1 - u) + curve[k + 1] * u)
    slope = np.gradient(curve, step)
    d = curve[k + 1] - curve[k]
    m0, m1 = slope[k] * step, slope[k + 1] * step
    return np.asarray(curve[k] + u * (m0 + u * (3 * d - 2 * m0 - m1 + u * (m0 + m1 - 2 * d))))


def setup_of(prior: Car, item: Observed) -> Car:
    """The car as run on a pass: what its set-up says, over what the car file says."""
    facts = item.facts
    said = {
        "mass_kg": facts.mass_kg,
        "gear_ratio": facts.gear_ratio,
        "wheel_m": facts.wheel_diameter_m,
        "pack_limit_a": facts.current_limit_a,
        "ramp_s": facts.ramp_s,
        "open_v": item.rest_v,
        "kv_rpm_per_v": facts.motor_kv,
    }
    return prior.with_values({name: value for name, value in said.items() if value is not None})
