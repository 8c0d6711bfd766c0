"""Every threshold and option: its value, its unit, and why it is what it is.

A stage takes its own group as an argument, so that a test can stand on both sides of a threshold
without touching the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any


def setting(default: Any, unit: str, reason: str) -> Any:
    """A field of a settings group, with its unit and the reason for its value."""
    return field(default=default, metadata={"unit": unit, "reason": reason})


@dataclass(frozen=True)
class ReadSettings:
    """Reading files (`speedlog.importers`)."""

    biggest_file_mb: float = setting(512.0, "MB", "a day at 25 Hz is about 150 MB; more is not a log of a meeting")
    fastest_mps: float = setting(400.0, "m/s", "no car on wheels is faster; above it a reading is broken text")


@dataclass(frozen=True)
class PassSettings:
    """Finding passes in a recording (`speedlog.course.passes`)."""


@dataclass(frozen=True)
class FaultSettings:
    """When samples can't be trusted (`speedlog.faults`)."""


@dataclass(frozen=True)
class FusionSettings:
    """Aligning clocks and estimating the motion (`speedlog.fusion`)."""

    jerk_psd_m2_s5: tuple[float, ...] = setting(
        (0.5, 5.0, 50.0, 500.0), "m²/s⁵", "levels of process noise between jumps; the data weigh them"
    )
    jumps_per_s: float = setting(0.25, "1/s", "launch, grip, lift, brakes: about four in a pass of 15 s")
    accel_jump_sd_mps2: float = setting(10.0, "m/s²", "from full power to coasting or brakes: 6 to 20 m/s²")
    most_hypotheses: int = setting(64, "count", "twice as many move the estimate by under a hundredth of its sd")
    speed_drift_sd_mps: float = setting(0.035, "m/s", "slow Doppler error under a free sky, references topic 5")
    speed_drift_time_s: float = setting(10.0, "s", "receivers' own filters; common practice, no source")
    speed_noise_mps: float = setting(0.08, "m/s", "where the log is too slow to tell its noise; references topic 5")
    speed_noise_floor_mps: float = setting(0.02, "m/s", "no receiver's Doppler is better epoch by epoch")
    speed_noise_weight: float = setting(8.0, "epochs", "how many epochs the default is worth against the measured")
    place_noise_m: float = setting(0.06, "m", "epoch-to-epoch position noise where the log can't tell it")
    place_noise_floor_m: float = setting(0.015, "m", "no receiver without a base station is better epoch by epoch")
    place_sd_m: float = setting(1.5, "m", "where a stand-alone receiver sees itself; common practice, no source")
    place_drift_m2_s: float = setting(0.02, "m²/s", "wander of a metre over a minute, where the log can't tell it")
    start_along_sd_m: float = setting(30.0, "m", "wide: the first positions decide")
    start_speed_sd_mps: float = setting(20.0, "m/s", "wide: the first readings decide")
    start_accel_sd_mps2: float = setting(10.0, "m/s²", "a car at the limit of grip")
    wheel_noise_share: float = setting(0.004, "share", "ripple of logged rpm at speed; common practice, no source")
    wheel_noise_floor_mps: float = setting(0.15, "m/s", "resolution of slow rpm")
    wheel_scale_sd: float = setting(0.03, "ln", "what is left of diameter, growth and slip after the first fit")
    wheel_scale_rate_per_s: float = setting(3e-5, "1/s", "growth and slip move the scale by about 0.5 % in a second")
    wheel_scale_jump_sd: float = setting(0.02, "ln", "slip under power against coasting: 1 to 4 %")
    finest_node_s: float = setting(0.004, "s", "readings closer than this share a node")
    widest_node_s: float = setting(0.1, "s", "longer steps are cut, so that a lift may fall inside a gap")
    robust_rounds: int = setting(3, "count", "re-weighting of single misfits settles in two or three rounds")
    robust_limit: float = setting(3.0, "sd", "a residual beyond this is weighed down in proportion")
    standing_mps: float = setting(1.5, "m/s", "below this a car stands, whatever the noise says")
    clock_shift_step_s: float = setting(900.0, "s", "time zones lie whole quarter hours apart")
    gps_utc_s: float = setting(18.0, "s", "GPS time ahead of UTC since 2017; may change with a leap second")
    clock_tolerance_s: float = setting(2.0, "s", "lag and reading of two loggers of one pass")
    wheel_grid_hz: float = setting(20.0, "Hz", "grid of the first, coarse search for a wheel log's offset")
    wheel_search_s: float = setting(0.6, "s", "fine search around the coarse offset")
    electrical_low: float = setting(1.7, "ratio", "from here a wheel is no plausible wheel but counts poles")
    electrical_high: float = setting(9.0, "ratio", "motors have 1 to 8 pole pairs; common practice, no source")


@dataclass(frozen=True)
class VerdictSettings:
    """Comparing with the trap figure (`speedlog.reconcile`)."""

    widest_half_width: float = setting(0.03, "share of the estimate", "design contract, rule 1")
    disagree_en: float = setting(1.5, "En", "design contract: honest intervals exceed 1 in 5 passes of 100")
    only_just_en: float = setting(1.0, "En", "ISO/IEC 17043: |En| <= 1 agrees")
    lone_source_share: float = setting(0.025, "share of the figure", "design contract, rule 2")
    least_coverage: float = setting(0.5, "share of the trap", "design contract, rule 3")


@dataclass(frozen=True)
class Settings:
    """All groups."""

    read: ReadSettings = field(default_factory=ReadSettings)
    passes: PassSettings = field(default_factory=PassSettings)
    faults: FaultSettings = field(default_factory=FaultSettings)
    fusion: FusionSettings = field(default_factory=FusionSettings)
    verdict: VerdictSettings = field(default_factory=VerdictSettings)


def every_setting() -> list[tuple[str, str, Any, str, str]]:
    """(group, name, value, unit, reason) of every setting, for the guide and its test."""
    rows = []
    for group in fields(Settings):
        for item in fields(getattr(Settings(), group.name)):
            rows.append((group.name, item.name, item.default, item.metadata["unit"], item.metadata["reason"]))
    return rows
