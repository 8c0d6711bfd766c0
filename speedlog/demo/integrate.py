"""An eighth-order Runge-Kutta integrator for three numbers, on plain floats.

The method, its coefficients, its step control and its dense output are those of scipy's `DOP853`
(Hairer, Nørsett, Wanner, "Solving Ordinary Differential Equations I", 1993, sec. II.5 and II.10), read
from that class. Only the arithmetic is our own: an array operation on three numbers costs more than
the numbers, and simulated passes are needed by the ten thousand. A test holds both equal to 1e-9.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import DOP853
from scipy.optimize import brentq

Array = NDArray[np.float64]
State = tuple[float, float, float]
Rate = Callable[[float, float, float, float], State]
# of a step: its start and length, the states before and after, its sixteen slopes
_Row = tuple[float, float, State, State, list[State]]

RTOL = ATOL = 1e-10
_SAFETY, _LEAST, _MOST, _ORDER = 0.9, 0.2, 10.0, 8


def _sparse(row: Sequence[float] | Array) -> tuple[tuple[int, float], ...]:
    return tuple((k, float(a)) for k, a in enumerate(row) if a != 0.0)


_STAGES = tuple((float(c), _sparse(a)) for c, a in zip(DOP853.C[1:], DOP853.A[1:], strict=True))
_EXTRA = tuple((float(c), _sparse(a)) for c, a in zip(DOP853.C_EXTRA, DOP853.A_EXTRA, strict=True))
_B, _E3, _E5 = _sparse(DOP853.B), _sparse(DOP853.E3), _sparse(DOP853.E5)


@dataclass(frozen=True, eq=False)
class Solution:
    """The dense solution of a stretch: S steps, each a polynomial of degree seven.

    Attributes:
        start_s, length_s: (S,) of each step.
        begin: (S, 3) the state where it starts.
        bends: (7, S, 3) the interpolant's coefficients.
    """

    start_s: Array
    length_s: Array
    begin: Array
    bends: Array

    def __call__(self, time_s: Array) -> Array:
        """(3, N) the state at any times (N,) of the stretch."""
        step = np.clip(np.searchsorted(self.start_s, time_s, side="left") - 1, 0, len(self.start_s) - 1)
        x = ((time_s - self.start_s[step]) / self.length_s[step])[:, None]
        found = np.zeros((len(time_s), 3))
        for i, bend in enumerate(self.bends[::-1]):
            found = (found + bend[step]) * (x if i % 2 == 0 else 1.0 - x)
        return np.asarray((found + self.begin[step]).T)

    def at(self, time_s: float) -> State:
        """The state at one time."""
        a, b, c = self(np.array([time_s]))[:, 0].tolist()
        return a, b, c


def integrate(
    rate: Rate, start_s: float, state: State, end_s: float, *, longest_s: float,
    until: tuple[int, float] | None = None,
) -> tuple[Solution, float, State]:  # fmt: skip
    """Integrate from a state to `end_s`, or to where one number of the state crosses a level.

    Args:
        rate: (time, *state) -> the state's derivative.
        longest_s: the longest step.
        until: which number of the state, and the level.

    Returns:
        The dense solution, where it ends, the state there.

    Raises:
        ArithmeticError: no step is short enough.
    """
    at, slope = start_s, rate(start_s, *state)
    step = _first_step(rate, start_s, state, slope, end_s, longest_s)
    rows: list[_Row] = []
    while at < end_s:
        step = min(step, longest_s)
        rejected = False
        while True:
            h = min(at + step, end_s) - at
            stages, after, error = _step(rate, at, state, slope, h)
            if error < 1.0:
                break
            step, rejected = h * max(_LEAST, _SAFETY * error ** (-1 / _ORDER)), True
            if step < 10 * math.ulp(at):
                raise ArithmeticError(f"no step at {at} s is short enough")
        grown = _MOST if error == 0.0 else min(_MOST, _SAFETY * error ** (-1 / _ORDER))
        step = h * (min(1.0, grown) if rejected else grown)
        slope = stages[12]
        rows.append((at, h, state, after, _more_stages(rate, at, state, h, stages)))
        before, at, state = state, at + h, after
        if until is not None and _crosses(before[until[0]] - until[1], after[until[0]] - until[1]):
            return _stopped(rows, *until)
    return _solution(rows), at, state


def _stopped(rows: list[_Row], which: int, level: float) -> tuple[Solution, float, State]:
    """Where the last step crosses the level."""
    last, (start, length, *_) = _solution(rows[-1:]), rows[-1]
    tight = 4 * float(np.finfo(np.float64).eps)
    found = float(brentq(lambda t: last.at(t)[which] - level, start, start + length, xtol=tight, rtol=tight))
    return _solution(rows), found, last.at(found)


def _crosses(before: float, after: float) -> bool:
    return (before <= 0.0 <= after) or (before >= 0.0 >= after)


def _first_step(
    rate: Rate, at: float, state: State, slope: State, end: float, longest: float
) -> float:  # fmt: skip
    """Hairer, Nørsett, Wanner, sec. II.4."""
    scale = [ATOL + abs(y) * RTOL for y in state]
    d0, d1 = _norm(state, scale), _norm(slope, scale)
    h0 = min(1e-6 if d0 < 1e-5 or d1 < 1e-5 else 0.01 * d0 / d1, end - at)
    x, v, q = (y + h0 * f for y, f in zip(state, slope, strict=True))
    then = rate(at + h0, x, v, q)
    d2 = _norm([b - a for a, b in zip(slope, then, strict=True)], scale) / h0
    h1 = max(1e-6, h0 * 1e-3) if d1 <= 1e-15 and d2 <= 1e-15 else (0.01 / max(d1, d2)) ** (1 / _ORDER)
    return min(100 * h0, h1, end - at, longest)


def _norm(values: Sequence[float], scale: Sequence[float]) -> float:
    return math.sqrt(sum((v / s) ** 2 for v, s in zip(values, scale, strict=True)) / len(scale))


def _mixed(row: tuple[tuple[int, float], ...], stages: list[State]) -> State:
    x = v = q = 0.0
    for k, a in row:
        one = stages[k]
        x += a * one[0]
        v += a * one[1]
        q += a * one[2]
    return x, v, q


def _step(rate: Rate, at: float, state: State, slope: State, h: float) -> tuple[list[State], State, float]:
    """One step: its thirteen slopes, the state after it, its error in units of the tolerance."""
    x0, v0, q0 = state
    stages = [slope]
    for c, row in _STAGES:
        x, v, q = _mixed(row, stages)
        stages.append(rate(at + c * h, x0 + h * x, v0 + h * v, q0 + h * q))
    x, v, q = _mixed(_B, stages)
    after = (x0 + h * x, v0 + h * v, q0 + h * q)
    stages.append(rate(at + h, *after))
    fifth = third = 0.0
    for a, b, y0, y1 in zip(_mixed(_E5, stages), _mixed(_E3, stages), state, after, strict=True):
        scale = ATOL + max(abs(y0), abs(y1)) * RTOL
        fifth += (a / scale) ** 2
        third += (b / scale) ** 2
    if fifth == 0.0 and third == 0.0:
        return stages, after, 0.0
    return stages, after, h * fifth / math.sqrt((fifth + 0.01 * third) * 3)


def _more_stages(rate: Rate, at: float, state: State, h: float, stages: list[State]) -> list[State]:
    """The three further slopes that the dense output needs."""
    x0, v0, q0 = state
    for c, row in _EXTRA:
        x, v, q = _mixed(row, stages)
        stages.append(rate(at + c * h, x0 + h * x, v0 + h * v, q0 + h * q))
    return stages


def _solution(rows: list[_Row]) -> Solution:
    starts, lengths, before, after, stages = (np.array(part) for part in zip(*rows, strict=True))
    h = lengths[:, None]
    moved, first, last = after - before, stages[:, 0], stages[:, 12]
    bends = [moved, h * first - moved, 2 * moved - h * (last + first)]
    bends += list(h * np.einsum("ij,sjk->isk", DOP853.D, stages))
    return Solution(starts, lengths, before, np.array(bends))
