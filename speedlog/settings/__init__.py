"""Every threshold and option: its value, its unit, and why it is what it is.

A stage takes its own group as an argument, so that a test can stand on both sides of a threshold
without touching the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

from speedlog.settings.faults import FaultSettings
from speedlog.settings.forecast import ForecastSettings
from speedlog.settings.fusion import FusionSettings
from speedlog.settings.judging import HiddenSettings, LocateSettings, SuitsSettings, VerdictSettings
from speedlog.settings.logbook import LogbookSettings
from speedlog.settings.pit import PitSettings
from speedlog.settings.reading import PassSettings, ReadSettings
from speedlog.settings.report import ReportSettings
from speedlog.settings.season import CompareSettings, SeasonSettings
from speedlog.settings.vehicle import VehicleSettings

__all__ = [
    "CompareSettings", "FaultSettings", "ForecastSettings", "FusionSettings", "HiddenSettings", "LocateSettings",
    "LogbookSettings", "PassSettings", "PitSettings", "ReadSettings", "ReportSettings", "SeasonSettings", "Settings", "SuitsSettings",
    "VehicleSettings", "VerdictSettings", "every_setting",
]  # fmt: skip


@dataclass(frozen=True)
class Settings:
    """All groups."""

    read: ReadSettings = field(default_factory=ReadSettings)
    passes: PassSettings = field(default_factory=PassSettings)
    faults: FaultSettings = field(default_factory=FaultSettings)
    fusion: FusionSettings = field(default_factory=FusionSettings)
    verdict: VerdictSettings = field(default_factory=VerdictSettings)
    hidden: HiddenSettings = field(default_factory=HiddenSettings)
    suits: SuitsSettings = field(default_factory=SuitsSettings)
    locate: LocateSettings = field(default_factory=LocateSettings)
    logbook: LogbookSettings = field(default_factory=LogbookSettings)
    report: ReportSettings = field(default_factory=ReportSettings)
    season: SeasonSettings = field(default_factory=SeasonSettings)
    compare: CompareSettings = field(default_factory=CompareSettings)
    vehicle: VehicleSettings = field(default_factory=VehicleSettings)
    pit: PitSettings = field(default_factory=PitSettings)
    forecast: ForecastSettings = field(default_factory=ForecastSettings)


def every_setting() -> list[tuple[str, str, Any, str, str]]:
    """(group, name, value, unit, reason) of every setting, for the guide and its test."""
    rows = []
    for group in fields(Settings):
        for item in fields(getattr(Settings(), group.name)):
            rows.append((group.name, item.name, item.default, item.metadata["unit"], item.metadata["reason"]))
    return rows
