"""One simulated pass, ready to be written: the truth, the logs, the course, the trap figure."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from speedlog.demo import writers
from speedlog.demo.controller import ControllerLog
from speedlog.demo.gnss import GnssLog, Place
from speedlog.demo.truth import Truth
from speedlog.units import find_unit

Format = Literal["nmea", "gpx", "csv"]


@dataclass(frozen=True)
class Trap:
    """The trap along the line, with its timer and tape."""

    entry_m: float
    exit_m: float
    timer_step_s: float = 0.001
    length_u_m: float = 0.02
    place_u_m: float = 0.0

    @property
    def length_m(self) -> float:
        return self.exit_m - self.entry_m


def trap_travel(place: Place, trap: Trap) -> tuple[float, float]:
    """Driven metres from the launch to the first and to the second beam that the car meets."""
    beams = sorted((place.travel(trap.entry_m), place.travel(trap.exit_m)))
    return beams[0], beams[1]


@dataclass(frozen=True, eq=False)
class SimulatedPass:
    """A pass and its logs.

    Attributes:
        launch_ns: UTC of the launch.
        official_mps: what the timekeeper's clock and tape gave.
        gnss: (file name, format, log) of each GNSS logger.
        wheel: (file name, log) of the controller, if any.
        parts: where the logs hold several passes, each by itself with its own rows of the logs; all else
            here is then the first one's, but for the logs, which are whole.
    """

    family: str
    truth: Truth
    place: Place
    trap: Trap
    launch_ns: int
    official_mps: float
    gnss: tuple[tuple[str, Format, GnssLog], ...]
    wheel: tuple[str, ControllerLog] | None = None
    wheel_diameter_m: float | None = None
    gear_ratio: float = 1.0
    parts: tuple[SimulatedPass, ...] = ()

    @property
    def passes(self) -> tuple[SimulatedPass, ...]:
        """Every pass in the logs, one by one."""
        return self.parts or (self,)

    @property
    def trap_mps(self) -> float:
        """The true trap speed."""
        return self.truth.trap_mps

    def files(self) -> dict[str, bytes]:
        """File name to content: the logs, and course.toml."""
        found = {name: gnss_bytes(log, form, name) for name, form, log in self.gnss}
        if self.wheel is not None:
            found[self.wheel[0]] = writers.controller_csv(self.wheel[1])
        return found | {"course.toml": self.course_toml().encode("utf-8")}

    def write(self, folder: Path) -> list[Path]:
        """Write logs and course.toml into a folder; the paths of the logs, GNSS first."""
        for name, content in self.files().items():
            (folder / name).write_bytes(content)
        names = [name for name, _, _ in self.gnss] + ([self.wheel[0]] if self.wheel else [])
        return [folder / name for name in names]

    def course_toml(self) -> str:
        return course_toml(f"simulated {self.family}", self.place, self.trap)


def gnss_bytes(log: GnssLog, form: Format, name: str) -> bytes:
    """A GNSS log as the bytes of its file."""
    if form == "nmea":
        return writers.nmea(log)
    return writers.gpx(log, name) if form == "gpx" else writers.gnss_csv(log)


def course_toml(
    name: str, place: Place, trap: Trap, time_zone: str | None = None,
    runway_m: tuple[float, float] | None = None,
) -> str:  # fmt: skip
    """A course.toml; nine digits of a degree are a tenth of a millimetre."""
    zone = [f'time_zone = "{time_zone}"'] if time_zone else []
    ends = [] if runway_m is None else [f"begin_m = {runway_m[0]:.1f}", f"end_m = {runway_m[1]:.1f}"]
    lines = [
        f'name = "{name}"', *zone, "", "[line]", f"start = [{place.lat_deg:.9f}, {place.lon_deg:.9f}]",
        f"heading_deg = {place.heading_deg:.5f}", *ends, "", "[trap]", f"entry_m = {trap.entry_m:.3f}",
        f"exit_m = {trap.exit_m:.3f}", f"timer_resolution_s = {trap.timer_step_s:g}",
        f"length_u_m = {trap.length_u_m:g}", f"place_u_m = {trap.place_u_m:g}",
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def official_speed(rng: np.random.Generator, truth: Truth, trap: Trap) -> float:
    """What clock and tape make of the pass: each beam's stamp is rounded, the tape is a little off."""
    late = rng.normal(0.0, trap.length_u_m) / truth.trap_mps
    begin = rng.uniform(0.0, 100.0)
    stamps = [round((begin + t) / trap.timer_step_s) for t in (truth.entry_s, truth.exit_s + late)]
    return trap.length_m / max((stamps[1] - stamps[0]) * trap.timer_step_s, trap.timer_step_s)


def figure_text(speed_mps: float, unit: str = "mph", digits: int = 2) -> str:
    """A speed as a timekeeper reads it out: "187.52 mph"."""
    found = find_unit(unit, "speed")
    assert found is not None
    return f"{found.from_si(speed_mps):.{digits}f} {found.symbol}"
