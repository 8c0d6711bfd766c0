"""A course made in the page: from a pass and typed distances, or from logs of a logger stood at the beams."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from speedlog.course.coursefile import Course
from speedlog.course.geometry import Line, along_across, line_between
from speedlog.course.passes import PassSpan, find_passes
from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, read_all
from speedlog.logbook import given, results
from speedlog.logbook.kept_logs import KeptMemory
from speedlog.logbook.store import Logbook
from speedlog.pit.forms import metres
from speedlog.samples import Recording, seconds
from speedlog.settings import Settings
from speedlog.settings.pit import PitSettings

_PLACE_DECIMALS, _HEADING_DECIMALS, _METRE_DECIMALS = 8, 5, 2
_SHORT_BREAK_S = 3.0  # a stir or a lost epoch in a stand
_SAME_PLACE_M = 3.0


@dataclass(frozen=True)
class Stand:
    """Where a logger stood still, by the median of its places."""

    start: pd.Timestamp
    seconds: float
    lat_deg: float
    lon_deg: float


def course_of_pass(book: Logbook, pass_id: int, fields: Mapping[str, str], settings: Settings) -> Course:
    """The line of a kept pass from its launch, with the trap at the typed distances.

    Raises:
        SpeedlogError: no log shows the launch, or a distance is none.
    """
    entry, length = _metres(fields, "entry", "first beam"), _metres(fields, "length", "trap's length")
    inputs = results.inputs_of(book, pass_id)
    memory = KeptMemory()
    options = ReadOptions(settings=settings.read)
    found = [memory.read(path, options) for path in memory.take(inputs.logs)]
    span = _launch([span for item in found for span in find_passes(item, None, settings.passes)], inputs)
    return _made(fields, span.line, entry, length, settings.pit)


def course_of_stands(files: Sequence[Path], fields: Mapping[str, str], settings: Settings) -> Course:
    """The line and the trap from places where a logger stood for a minute.

    In the order of time: launch point, first beam, second beam; or the two beams alone with the log of a pass,
    which then gives the line.

    Raises:
        SpeedlogError: other stands than these, too far from what the tape says, or a log can't be read.
    """
    length = _metres(fields, "length", "trap's length")
    found = [item for path in files for item in read_all(path, ReadOptions(settings=settings.read))]
    lines: list[Line] = []
    stands: list[Stand] = []
    for item in found:
        spans = find_passes(item, None, settings.passes)
        if spans:
            lines += [span.line for span in spans if span.run_up_start is not None]
        else:
            stands += find_stands(item, settings.pit)
    stands = _apart(sorted(stands, key=lambda item: item.start))
    if len(stands) == 3:
        launch, *beams = stands
        middle = (np.mean([item.lat_deg for item in beams]), np.mean([item.lon_deg for item in beams]))
        line, apart = line_between((launch.lat_deg, launch.lon_deg), (float(middle[0]), float(middle[1])))
        if apart < settings.passes.line_least_m:
            raise SpeedlogError(
                f"the launch point is only {apart:.0f} m from the beams",
                todo="Stand the logger where cars start.",
            )
    elif len(stands) == 2 and lines:
        line, beams = lines[0], stands
    else:
        raise SpeedlogError(
            f"{_listed(stands)}; needed are the launch point, the first beam and the second beam",
            todo="Stand a minute at each, or add the log of a pass to the two beams.",
        )
    entry, end = _beams(line, beams, length, settings.pit)
    return _made(fields, line, entry, end - entry, settings.pit)


def course_of_file(path: Path) -> Course:
    """A course.toml as it is."""
    return Course.load(path)


def find_stands(recording: Recording, settings: PitSettings) -> list[Stand]:
    """The stretches in which a logger stood still, in the order of time."""
    samples = recording.samples[recording.valid]
    if len(samples) < 2:
        return []
    time_s = seconds(samples.index)
    lat, lon = (samples[name].to_numpy(dtype=float) for name in ("lat_deg", "lon_deg"))
    speed = samples["speed_mps"].to_numpy(dtype=float)
    if not np.isfinite(speed).any():
        east, north = along_across(Line(float(lat[0]), float(lon[0]), 90.0), lat, lon)
        speed = np.hypot(np.gradient(east, time_s), np.gradient(north, time_s))
    still = np.flatnonzero(speed < settings.stand_speed_mps)
    if not len(still):
        return []
    runs = np.split(still, np.flatnonzero(np.diff(time_s[still]) > _SHORT_BREAK_S) + 1)
    return [
        Stand(
            samples.index[run[0]], float(time_s[run[-1]] - time_s[run[0]]),
            float(np.median(lat[run])), float(np.median(lon[run])),
        )
        for run in runs
        if time_s[run[-1]] - time_s[run[0]] >= settings.stand_least_s
    ]  # fmt: skip


def _apart(stands: Sequence[Stand]) -> list[Stand]:
    """Stands at the same place one after the other are one, the longer."""
    found: list[Stand] = []
    for item in stands:
        near = found and _distance(found[-1], item) < _SAME_PLACE_M
        if near and found[-1].seconds >= item.seconds:
            continue
        found[-1:] = [item] if near else [*found[-1:], item]
    return found


def _distance(one: Stand, other: Stand) -> float:
    return line_between((one.lat_deg, one.lon_deg), (other.lat_deg, other.lon_deg))[1]


def _beams(line: Line, beams: Sequence[Stand], length: float, settings: PitSettings) -> tuple[float, float]:
    """Entry and exit: in the middle as stood, apart as taped."""
    along, _ = along_across(line, [item.lat_deg for item in beams], [item.lon_deg for item in beams])
    apart = abs(float(along[1] - along[0]))
    if abs(apart - length) > settings.stand_mismatch_m:
        raise SpeedlogError(
            f"the beams stood {apart:.1f} m apart, but the tape says {length:g} m",
            todo="Check the length, and which stands are meant.",
        )
    middle = float(np.mean(along))
    if middle - length / 2 < 0:
        raise SpeedlogError(
            "the beams lie behind the launch point", todo="Stand in the order in which a car runs."
        )
    return middle - length / 2, middle + length / 2


def _listed(stands: Sequence[Stand]) -> str:
    if not stands:
        return "the logs show no place where the logger stood still"
    told = ", ".join(f"{item.start:%H:%M:%S} for {item.seconds:.0f} s" for item in stands[:8])
    return f"{len(stands)} stand{'s' * (len(stands) != 1)} found (UTC {told})"


def _launch(spans: Sequence[PassSpan], inputs: results.Inputs) -> PassSpan:
    """The drive that is the pass, as a log saw it from its launch."""
    mine = [span for span in spans if span.run_up_start is not None]
    if inputs.start_utc is not None and inputs.end_utc is not None:
        start, end = pd.Timestamp(inputs.start_utc), pd.Timestamp(inputs.end_utc)
        mine = [span for span in mine if span.start < end and span.end > start] or mine
    if not mine:
        raise SpeedlogError(
            "no log of this pass shows the launch, from which the distance to the trap is counted",
            todo="Use a pass that was logged from standing, or stand the logger at the beams.",
        )
    return mine[0]


def _metres(fields: Mapping[str, str], name: str, what: str) -> float:
    if not fields.get(name, "").strip():
        raise SpeedlogError(f"the {what} is missing", todo='Type it like "30" or "100 ft".')
    return metres(fields[name], what)


def _made(
    fields: Mapping[str, str], line: Line, entry_m: float, length_m: float, settings: PitSettings
) -> Course:
    name = given.check_text(fields.get("name", ""), "the venue's name", 80)
    entry = round(entry_m, _METRE_DECIMALS)
    course = Course(
        name=name,
        line=Line(
            round(line.lat_deg, _PLACE_DECIMALS),
            round(line.lon_deg, _PLACE_DECIMALS),
            round(line.heading_deg, _HEADING_DECIMALS) % 360.0,
        ),
        entry_m=entry,
        exit_m=round(entry + length_m, 4),
        place_u_m=settings.stand_place_u_m,
        defaulted=("timer_resolution_s", "length_u_m"),
    )
    # read again by the same rules, so that no course is made that a review would refuse
    return Course.from_mapping(tomllib.loads(course.to_toml()))
