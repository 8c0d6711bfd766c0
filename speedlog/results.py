"""What a review found: the one truth for the JSON, the report, the logbook and the page.

Frozen values only. SI units throughout, UTC throughout; the pages convert. `as_json` gives the
form of the command contract; traces (the arrays behind the charts) are not part of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.results_car import CarPass
from speedlog.samples import utc_text

Array = NDArray[np.float64]
Interval = tuple[float, float]
FaultKind = Literal[
    "gap", "no_fix", "poor_fix", "frozen", "ceiling", "outlier", "clock_jump", "dead_reckoned"
]
VerdictCode = Literal[
    "not_enough_data", "trap_figure_doubtful", "logger_missed_trap", "logger_ceiling",
    "logger_low", "logger_high", "agree",
]  # fmt: skip


@dataclass(frozen=True)
class RecordingSummary:
    """A recording, for the result."""

    file: str
    sha256: str
    format: str
    rate_hz: float | None
    samples: int
    rejected: int
    start_utc: pd.Timestamp | None
    end_utc: pd.Timestamp | None
    clock: str
    clock_offset_s: float | None
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class Fault:
    """A stretch of one logger's samples that can't be trusted.

    `start_along_m` and `end_along_m` are along the running line, in the order of time; None where
    the log can't place them.
    """

    kind: FaultKind
    start_utc: pd.Timestamp
    end_utc: pd.Timestamp
    start_along_m: float | None
    end_along_m: float | None
    near_trap: bool
    detail: str


@dataclass(frozen=True)
class Official:
    """The trap figure with its interval, and the assumptions that went into it."""

    speed_mps: float
    interval95_mps: Interval
    text: str
    unit: str  # the speed unit in which it was given, "mph"; for a time, the session's
    assumptions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Trap:
    """The trap of one pass: official figure and estimate."""

    entry_m: float
    exit_m: float
    official: Official | None
    estimate_mps: float | None
    interval95_mps: Interval | None
    entry_utc: pd.Timestamp | None
    exit_utc: pd.Timestamp | None
    coverage: float

    @property
    def length_m(self) -> float:
        return self.exit_m - self.entry_m


@dataclass(frozen=True)
class Peak:
    """The fastest moment of the pass, by the estimate."""

    estimate_mps: float
    interval95_mps: Interval
    utc: pd.Timestamp
    along_m: float


@dataclass(frozen=True)
class Logger:
    """One recording's part in the pass, and what it says of the trap."""

    file: str
    kind: Literal["gnss", "wheel"]
    peak_reading_mps: float | None
    trap_reading_mps: float | None
    difference_mps: float | None
    difference_percent: float | None
    compared: str | None
    coverage: float
    normalised_error: float | None
    text: str
    faults: tuple[Fault, ...]
    interval95_mps: Interval | None = None  # of the trap reading
    lag_s: float | None = None  # how late its speed comes against its own positions, as the log shows it
    lag_u_s: float | None = None  # standard uncertainty of that
    peak_missed_mps: float | None = None  # the most that its rate can hide of this pass's peak


@dataclass(frozen=True)
class Verdict:
    code: VerdictCode
    text: str
    normalised_error: float | None
    independent: bool = True  # False where this pass helped to find the trap's place


@dataclass(frozen=True)
class Straightness:
    """How straight the pass ran. Across is metres to the right of the line, facing along the pass."""

    greatest_across_m: float
    greatest_at_along_m: float
    trap_drift_m: float | None


@dataclass(frozen=True)
class WindPart:
    """The wind as the user gave it, along and across this pass."""

    text: str
    head_mps: float  # against the car
    right_mps: float  # from the right of the car


@dataclass(frozen=True, eq=False)
class LoggerTrace:
    """One recording's samples of the pass, for the charts. Arrays are (N,), NaN where missing."""

    file: str
    kind: Literal["gnss", "wheel"]
    time_s: Array  # since the pass's start
    along_m: Array
    across_m: Array
    speed_mps: Array  # reading; a wheel's is corrected by the scale that fusion found
    used: NDArray[np.bool_]
    channels: dict[str, Array] = field(default_factory=dict)  # further columns of the common table


@dataclass(frozen=True, eq=False)
class Trace:
    """The estimate over the pass, for the charts. Arrays are (N,)."""

    time_s: Array
    along_m: Array
    speed_mps: Array
    speed_low_mps: Array  # 95 % band
    speed_high_mps: Array
    accel_mps2: Array
    loggers: tuple[LoggerTrace, ...]


@dataclass(frozen=True)
class Pass:
    """One drive down the line."""

    number: int
    start_utc: pd.Timestamp
    end_utc: pd.Timestamp
    heading_deg: float
    outbound: bool | None  # None without a course
    trap: Trap | None
    peak: Peak | None
    loggers: tuple[Logger, ...]
    verdict: Verdict | None
    straightness: Straightness | None
    trap_accel_mps2: float | None  # acceleration at the trap exit: still pulling?
    warnings: tuple[str, ...]
    wind: WindPart | None = None
    trace: Trace | None = field(default=None, compare=False, repr=False)
    car: CarPass | None = field(default=None, compare=False, repr=False)  # what it cost the car


@dataclass(frozen=True)
class CourseSummary:
    name: str
    time_zone: str | None
    entry_m: float
    exit_m: float
    assumptions: tuple[str, ...]
    place_u_m: float = 0.0
    located_from: tuple[str, ...] = ()  # as in the course: the passes that told where the trap is


@dataclass(frozen=True)
class Review:
    """All passes found in the files given."""

    recordings: tuple[RecordingSummary, ...]
    passes: tuple[Pass, ...]
    course: CourseSummary | None
    warnings: tuple[str, ...] = ()
    drives_found: int | None = None  # in all; `passes` may hold only the one asked for

    def as_json(self) -> dict[str, Any]:
        """The form of the command contract (design, section 5); checked against review.schema.json."""
        return {
            "schema_version": 1,
            "recordings": [_recording_json(item) for item in self.recordings],
            "passes": [_pass_json(item) for item in self.passes],
            "course": None if self.course is None else _course_json(self.course),
            "warnings": list(self.warnings),
        }


def _number(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)


def _interval(value: Interval | None) -> list[float] | None:
    return None if value is None else [float(value[0]), float(value[1])]


def _recording_json(item: RecordingSummary) -> dict[str, Any]:
    return {
        "file": item.file,
        "sha256": item.sha256,
        "format": item.format,
        "rate_hz": _number(item.rate_hz),
        "samples": item.samples,
        "rejected": item.rejected,
        "start_utc": utc_text(item.start_utc),
        "end_utc": utc_text(item.end_utc),
        "clock": item.clock,
        "clock_offset_s": _number(item.clock_offset_s),
        "warnings": list(item.warnings),
    }


def _course_json(item: CourseSummary) -> dict[str, Any]:
    return {
        "name": item.name,
        "entry_m": float(item.entry_m),
        "exit_m": float(item.exit_m),
        "place_u_m": float(item.place_u_m),
        "located_from": list(item.located_from),
    }


def fault_json(item: Fault) -> dict[str, Any]:
    return {
        "kind": item.kind,
        "start_utc": utc_text(item.start_utc),
        "end_utc": utc_text(item.end_utc),
        "start_along_m": _number(item.start_along_m),
        "end_along_m": _number(item.end_along_m),
        "near_trap": item.near_trap,
        "detail": item.detail,
    }


def _trap_json(trap: Trap | None) -> dict[str, Any] | None:
    if trap is None:
        return None
    official = trap.official
    return {
        "official_mps": official.speed_mps if official else None,
        "official_interval95_mps": _interval(official.interval95_mps) if official else None,
        "official_assumptions": list(official.assumptions) if official else [],
        "estimate_mps": _number(trap.estimate_mps),
        "interval95_mps": _interval(trap.interval95_mps),
        "entry_utc": utc_text(trap.entry_utc),
        "exit_utc": utc_text(trap.exit_utc),
        "coverage": float(trap.coverage),
        "entry_m": float(trap.entry_m),
        "exit_m": float(trap.exit_m),
    }


def _logger_json(item: Logger) -> dict[str, Any]:
    return {
        "file": item.file,
        "kind": item.kind,
        "peak_reading_mps": _number(item.peak_reading_mps),
        "trap_reading_mps": _number(item.trap_reading_mps),
        "interval95_mps": _interval(item.interval95_mps),
        "difference_mps": _number(item.difference_mps),
        "difference_percent": _number(item.difference_percent),
        "compared": item.compared,
        "coverage": float(item.coverage),
        "normalised_error": _number(item.normalised_error),
        "lag_s": _number(item.lag_s),
        "lag_u_s": _number(item.lag_u_s),
        "peak_missed_mps": _number(item.peak_missed_mps),
        "text": item.text,
        "faults": [fault_json(fault) for fault in item.faults],
    }


def _pass_json(item: Pass) -> dict[str, Any]:
    peak, verdict, straight = item.peak, item.verdict, item.straightness
    return {
        "number": item.number,
        "start_utc": utc_text(item.start_utc),
        "end_utc": utc_text(item.end_utc),
        "heading_deg": float(item.heading_deg),
        "outbound": item.outbound,
        "trap": _trap_json(item.trap),
        "peak": peak
        and {
            "estimate_mps": float(peak.estimate_mps),
            "interval95_mps": _interval(peak.interval95_mps),
            "utc": utc_text(peak.utc),
            "along_m": float(peak.along_m),
        },
        "loggers": [_logger_json(logger) for logger in item.loggers],
        "verdict": verdict
        and {
            "code": verdict.code,
            "text": verdict.text,
            "normalised_error": _number(verdict.normalised_error),
            "independent": verdict.independent,
        },
        "straightness": straight
        and {
            "greatest_across_m": float(straight.greatest_across_m),
            "greatest_at_along_m": float(straight.greatest_at_along_m),
            "trap_drift_m": _number(straight.trap_drift_m),
        },
        "trap_accel_mps2": _number(item.trap_accel_mps2),
        "wind": item.wind
        and {
            "text": item.wind.text,
            "head_mps": float(item.wind.head_mps),
            "right_mps": float(item.wind.right_mps),
        },
        "warnings": list(item.warnings),
        "car": None if item.car is None else item.car.as_json(),
    }
