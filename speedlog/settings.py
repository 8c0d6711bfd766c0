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
