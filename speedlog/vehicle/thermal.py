"""How the motor heats and cools, from its logged temperature; heat soak after the stop; the next pass.

For each pair of time constants (cooling, sensor) on a grid, the model is linear in heating and start. What log and
hand say of each pair weighs it, and every figure is the mean over all pairs, with what they differ by in its
interval: a short log, which can't show the cooling, gives a wide cooling and still a sound end temperature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from speedlog.physics.air import ZERO_CELSIUS_K
from speedlog.physics.heat import following, soaking, warmed
from speedlog.results_car import Thermal
from speedlog.results_quantity import Quantity95
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.heating import Heating
from speedlog.vehicle.log import CarLog, correlation_factor

Array = NDArray[np.float64]
_GRID_S = 0.1
_LOOSE = (25.0, 5.0)  # first looks at a coarse grid, where the best pair lies between its points
_MOST_ROWS = 3000  # of a log left on after the pass: five minutes


@dataclass(frozen=True, eq=False)
class _Logged:
    """Readings beside the heating on an even grid that ends with the log."""

    start_s: float
    squared: Array  # (N,) x² of each step
    temp_c: Array  # (M,)
    at: NDArray[np.intp]  # (M,) their places on the grid
    share: Array  # (M,) what each weighs: a run of one value is one reading
    middle: NDArray[np.intp]  # row of each run
    air_c: float
    stop_s: float

    @property
    def end_s(self) -> float:
        return self.start_s + _GRID_S * (len(self.squared) - 1)


@dataclass(frozen=True, eq=False)
class _Pairs:
    """The fit for each of P pairs of time constants: b and the start's excess over the air.

    `peak`, `peak_u`, `peak_s`: the highest temperature, soak included. `gain`, `fade`: K for each unit of b there,
    and the share of the start's excess that is left.
    """

    tau_s: Array
    lag_s: Array
    fit: Array  # (P, 2)
    fit_u: Array  # (P, 2)
    weight: Array
    peak: Array
    peak_u: Array
    peak_s: Array
    gain: Array
    fade: Array
    noise_k: float

    def mean(self, values: Array, own_u: Array | float = 0.0) -> Quantity95:
        """Mean over the pairs; within and between them in the interval."""
        middle = float(self.weight @ values)
        spread = self.weight @ ((values - middle) ** 2 + np.square(own_u))
        return Quantity95.spread(middle, float(np.sqrt(spread)))

    def constant(self, values: Array) -> Quantity95:
        """Median and 95 % interval of a time constant, between the grid's points."""
        levels, places = np.unique(values, return_inverse=True)
        mass = np.bincount(places, weights=self.weight)
        below = np.cumsum(mass) - 0.5 * mass
        low, middle, high = np.exp(np.interp([0.025, 0.5, 0.975], below, np.log(levels)))
        return Quantity95(float(middle), float(low), float(high))


def thermal_of(
    log: CarLog | None, heating: Heating | None, facts: CarFacts, settings: VehicleSettings
) -> Thermal:
    """The thermal model of a pass; what was measured by hand alone, or why there is none."""
    temp = None if log is None else log.channel("motor_temp_c")
    if log is None or temp is None or heating is None:
        return _by_hand(facts, settings)
    known = temp[np.isfinite(temp)]
    rise = float(np.max(known) - known[0])
    if rise < settings.thermal_least_rise_k or len(known) < 10:
        text = wording.LITTLE_RISE.format(rise=max(rise, 0.0))
        hand = _by_hand(facts, settings)
        return replace(
            hand, why_not=MappingProxyType({**hand.why_not, "cooling_s": text, "heat_rise_k": text})
        )
    data = _on_grid(log, temp, heating, facts)
    if not data.squared.any():  # it warmed, and nothing that goes with heat was logged meanwhile
        hand = _by_hand(facts, settings)
        return replace(hand, why_not=MappingProxyType({**hand.why_not, "heat_rise_k": wording.NO_HEATING}))
    between = (settings.thermal_tau_s, settings.thermal_lag_s)
    for loose in _LOOSE:
        pairs = _fitted(data, facts, settings, *between, loose)
        between = (_held(pairs.tau_s, pairs.weight), _held(pairs.lag_s, pairs.weight))
    return _told(data, _fitted(data, facts, settings, *between, 1.0), heating, facts, settings)


def peak_from(thermal: Thermal, start_c: float, heat_ratio: Quantity95) -> Quantity95 | None:
    """The next pass's highest temperature.

    Args:
        start_c: the motor's, when it begins.
        heat_ratio: its ∫x² dt over this pass's (x is what the motor's heat goes with).
    """
    rise, fade, air = thermal.heat_rise_k, thermal.fade, thermal.air_c
    if rise is None or fade is None or air is None:
        return None
    value = air + fade.value * (start_c - air) + rise.value * heat_ratio.value
    parts = (
        fade.standard_u * (start_c - air), rise.standard_u * heat_ratio.value, rise.value * heat_ratio.standard_u,
        thermal.residual_k or 0.0,
    )  # fmt: skip
    return Quantity95.spread(value, math.hypot(*parts))


def _by_hand(facts: CarFacts, settings: VehicleSettings) -> Thermal:
    after, before = facts.motor_temp_after_c, facts.motor_temp_before_c
    if after is None:
        return Thermal(why_not=MappingProxyType({"": wording.NO_MOTOR_TEMP}))
    why = dict.fromkeys(("cooling_s", "heat_rise_k", "repeat_peak_c"), wording.HAND_ONLY)
    rise = None
    if before is None:
        why["rise_k"] = wording.NO_START_HAND
    else:
        rise = Quantity95.spread(after - before, math.sqrt(2) * settings.hand_temp_u_k)
    peak = Quantity95.spread(after, settings.hand_temp_u_k)
    return Thermal(peak_c=peak, rise_k=rise, by_hand=True, why_not=MappingProxyType(why))


def _on_grid(log: CarLog, temp: Array, heating: Heating, facts: CarFacts) -> _Logged:
    known = np.flatnonzero(np.isfinite(temp))
    known = known[:: max(1, len(known) // _MOST_ROWS)]
    start, end = float(log.time_s[known[0]]), float(log.time_s[known[-1]])
    time = start + _GRID_S * np.arange(math.ceil((end - start) / _GRID_S) + 1)
    # what flows within a step of the grid, so that nothing of a short burst is lost
    steps = 0.5 * (heating.squared[1:] + heating.squared[:-1]) * np.diff(heating.time_s)
    total = np.interp(time, heating.time_s, np.concatenate([[0.0], np.cumsum(steps)]))
    squared = np.append(np.diff(total), 0.0) / _GRID_S
    air = float(temp[known[0]]) if facts.temperature_k is None else facts.temperature_k - ZERO_CELSIUS_K
    at = np.clip(np.rint((log.time_s[known] - start) / _GRID_S).astype(np.intp), 0, len(time) - 1)
    standing = (log.time_s > log.lift_s) & (log.speed_mps < 1.0)
    stop = float(log.time_s[standing][0]) if standing.any() else end
    return _Logged(start, squared, temp[known], at, *_runs(temp[known]), air, stop)


def _runs(values: Array) -> tuple[Array, NDArray[np.intp]]:
    """(M,) one over the length of the run of one value that a row is in; and the middle row of each run.

    A log in whole degrees says nothing new until it changes, and its rounding is the same all through a run.
    """
    number = np.concatenate([[0], np.cumsum(np.diff(values) != 0)])
    length = np.bincount(number)
    middle = np.cumsum(length) - (length + 1) // 2
    return np.asarray(1.0 / length[number]), middle.astype(np.intp)


def _held(values: Array, weight: Array) -> tuple[float, float]:
    """From where to where a constant holds any weight to speak of, and a step more on either side."""
    levels, places = np.unique(values, return_inverse=True)
    there = np.flatnonzero(np.bincount(places, weights=weight) > 1e-4 * weight.max())
    return float(levels[max(there[0] - 1, 0)]), float(levels[min(there[-1] + 1, len(levels) - 1)])


def _fitted(
    data: _Logged, facts: CarFacts, settings: VehicleSettings, between_tau: tuple[float, float],
    between_lag: tuple[float, float], loose: float,
) -> _Pairs:  # fmt: skip
    """Every pair on the grid; `loose` widens what is left, for a first look."""
    n = settings.thermal_grid
    taus, lags = np.geomspace(*between_tau, n), np.geomspace(*between_lag, n)
    age = _GRID_S * np.arange(len(data.squared))[:, None]
    winding = np.stack([warmed(data.squared, _GRID_S, taus), np.exp(-age / taus)])  # (2, N, T)
    shown = np.stack(
        [
            following(part[:, :, None], _GRID_S, lags, float(s))
            for part, s in zip(winding, (0, 1), strict=True)
        ]
    )
    design = shown[:, data.at].reshape(2, len(data.at), -1)  # (2, M, P)
    above = data.temp_c - data.air_c
    weighed = design * data.share[:, None]
    normal = np.einsum("amp,bmp->pab", weighed, design)
    size = np.sqrt(np.einsum("paa->pa", normal))  # the two columns differ by as much as A² from 1
    scale = size[:, :, None] * size[:, None, :]
    inverse = np.linalg.inv(normal / scale + 1e-12 * np.eye(2)) / scale
    fit = np.einsum("pab,bmp,m->pa", inverse, weighed, above)
    off = above[:, None] - np.einsum("amp,pa->mp", design, fit)
    misfit = data.share @ off**2
    best = int(np.argmin(misfit))
    noise2 = max(float(misfit[best]) / max(data.share.sum() - 4, 1.0), settings.thermal_floor_k**2)
    own2 = loose * noise2 * correlation_factor(off[data.middle, best])
    tau, lag = (part.ravel() for part in np.meshgrid(taus, lags, indexing="ij"))
    top, when, row = _peaks(data, winding, shown, fit, tau, lag, settings)
    top_u = np.sqrt(np.maximum(own2 * np.einsum("pa,pab,pb->p", row, inverse, row), 0.0))
    weight = -0.5 * (misfit - misfit[best]) / own2
    weight[fit[:, 0] <= 0] -= 50.0  # current does not cool
    if facts.motor_temp_after_c is not None:  # the peak is no lower than what was felt of it later
        felt = (top + data.air_c - facts.motor_temp_after_c) / settings.hand_temp_u_k
        weight += np.array([math.log(max(0.5 * math.erfc(-z / math.sqrt(2)), 1e-300)) for z in felt.tolist()])
    weight = np.exp(weight - weight.max())
    fit_u = np.sqrt(own2 * np.einsum("paa->pa", inverse))
    return _Pairs(
        tau, lag, fit, fit_u, weight / weight.sum(), top + data.air_c, top_u, when, row[:, 0], row[:, 1],
        math.sqrt(noise2),
    )  # fmt: skip


def _peaks(
    data: _Logged, winding: Array, shown: Array, fit: Array, tau: Array, lag: Array, settings: VehicleSettings
) -> tuple[Array, Array, Array]:
    """(P,) highest excess over the air and when; (P, 2) what heating and start each give there."""
    after = np.geomspace(_GRID_S, settings.thermal_soak_s, 80)
    at_end = np.repeat(winding[:, -1, :], len(tau) // winding.shape[2], axis=1)  # (2, P)
    flat = shown.reshape(2, len(data.squared), -1)  # (2, N, P)
    later = soaking(at_end[:, None, :], flat[:, -1:, :], after[:, None], tau, lag)
    both = np.concatenate([flat, later], axis=1)
    time = np.concatenate([data.start_s + _GRID_S * np.arange(len(data.squared)), data.end_s + after])
    curve = np.einsum("anp,pa->np", both, fit)
    top = np.argmax(curve, axis=0)
    place = np.arange(len(tau))
    return curve[top, place], time[top], both[:, top, place].T


def _told(
    data: _Logged, pairs: _Pairs, heating: Heating, facts: CarFacts, settings: VehicleSettings
) -> Thermal:
    hand, why = facts.motor_temp_after_c, dict[str, str]()
    peak, start = pairs.mean(pairs.peak, pairs.peak_u), pairs.mean(pairs.fit[:, 1], pairs.fit_u[:, 1])
    by_hand = hand is not None and hand > peak.high + settings.hand_temp_u_k
    if by_hand and hand is not None:
        peak = Quantity95.spread(hand, settings.hand_temp_u_k)
    coefficient = None
    if heating.with_ == "motor current":
        of_scale = (
            2 * heating.share_u * pairs.fit[:, 0]
        )  # it goes with the square of a current as true as that
        coefficient = pairs.mean(pairs.fit[:, 0], np.hypot(pairs.fit_u[:, 0], of_scale))
    else:
        why["heating_k_per_a2s"] = wording.NO_MOTOR_CURRENT
    cooling: Quantity95 | None = pairs.constant(pairs.tau_s)
    edge = 0.98 * settings.thermal_tau_s[1]
    if cooling is not None and (cooling.high > min(settings.thermal_vague * cooling.low, edge)):
        cooling, why["cooling_s"] = None, wording.SHORT_COOLING
    found = Thermal(
        heats_with=heating.with_, heating_k_per_a2s=coefficient, cooling_s=cooling,
        sensor_lag_s=pairs.constant(pairs.lag_s), air_c=data.air_c, air_assumed=facts.temperature_k is None,
        rise_k=Quantity95.spread(
            peak.value - data.air_c - start.value, math.hypot(peak.standard_u, start.standard_u)
        ),
        peak_c=peak, peak_after_stop_s=None if by_hand else pairs.mean(pairs.peak_s - data.stop_s, _GRID_S),
        by_hand=by_hand, heat_rise_k=pairs.mean(pairs.gain * pairs.fit[:, 0], pairs.gain * pairs.fit_u[:, 0]),
        fade=pairs.mean(pairs.fade), repeat_from_c=float(data.temp_c[-1]), residual_k=pairs.noise_k,
        why_not=MappingProxyType(why),
    )  # fmt: skip
    return replace(found, repeat_peak_c=peak_from(found, float(data.temp_c[-1]), Quantity95(1.0, 1.0, 1.0)))
