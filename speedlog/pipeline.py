"""The whole job on one page: files, recordings, passes, faults, motion, verdicts."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from speedlog.cores import Cores
from speedlog.course.coursefile import Course
from speedlog.course.passes import PassSpan, find_passes
from speedlog.course.wind import parse_wind
from speedlog.errors import SpeedlogError, plain
from speedlog.fusion.clocks import ClockOffset, PassGroup, group_passes, match_clocks
from speedlog.fusion.drive import Drive, WheelLog, add_wheels, gather
from speedlog.fusion.fleet import WheelSetup, prepare_wheel, scale_warning
from speedlog.importers import ReadOptions, read_all
from speedlog.reconcile.independent import marked
from speedlog.reconcile.judge import Words, judge
from speedlog.reconcile.official import unit_part
from speedlog.results import CourseSummary, RecordingSummary, Review
from speedlog.samples import Clock, Recording
from speedlog.settings import Settings
from speedlog.units import find_unit, parse_quantity

if TYPE_CHECKING:
    from speedlog.vehicle.facts import CarFacts

TrapFigures = str | Sequence[str] | Mapping[int, str] | None
PathLike = str | os.PathLike[str]


def review(
    files: PathLike | Sequence[PathLike],
    *,
    course: Course | None = None,
    trap: TrapFigures = None,
    wind: str | None = None,
    wheel_diameter: str | None = None,
    gear_ratio: float | None = None,
    pole_pairs: int | None = None,
    columns: PathLike | None = None,
    unit: str | None = None,
    only: int | None = None,
    facts: CarFacts | None = None,
    left: bool = True,
    memory: Memory | None = None,
    cores: Cores | None = None,
    settings: Settings | None = None,
) -> Review:
    """Review the logs of one pass, or of several.

    Args:
        files: GNSS logs and speed-controller logs, in any order; .gz and .zip with one log or several too.
        course: the running line and its trap; without it each pass gets its own fitted line, and
            only its peak is given.
        trap: the trap figure ("187.5 mph" or "0.311 s"); one for each pass in order, or by number.
        wind: "4 m/s from 250" (true degrees), or "8 mph tail".
        wheel_diameter, gear_ratio, pole_pairs: of the car; its true wheel scale is found from the logs.
        columns: a mapping for delimited text (map.toml).
        unit: of the speeds in the sentences; that of the trap figure otherwise, else km/h.
        only: judge this pass alone; the others still help to place a controller's log.
        facts: what is known of the car and the weather; with it each pass that has a controller's log is told what
            it cost the car. left: and what was left in it.
        memory: keeps what was read and fused for the next call on the same files.
        cores: where the passes of a long day are worked on; this process alone if None. Then nothing is kept of them.
        settings: every threshold.

    Raises:
        SpeedlogError: a file, a figure or an option is wrong; one line says which and what to do.
    """
    settings = settings or Settings()
    setup = _wheel_setup(wheel_diameter, gear_ratio, pole_pairs)
    air = None if wind is None else parse_wind(wind)
    paths = _distinct([files] if isinstance(files, str | os.PathLike) else list(files))
    options = ReadOptions(columns=None if columns is None else Path(columns), settings=settings.read)
    memory = Memory() if memory is None else memory
    recordings = _named([memory.read_all(path, options) for path in paths], paths)

    twins = _twins(recordings)
    gnss = [i for i, recording in enumerate(recordings) if recording.has_positions and i not in twins]
    spans = [find_passes(recordings[i], course, settings.passes) for i in gnss]
    offsets = match_clocks([recordings[i] for i in gnss], spans, settings.fusion)
    groups = group_passes(spans, offsets, settings.fusion)
    chosen = [recordings[i] for i in gnss]
    if cores is None:
        cores, gathered = (
            Cores(),
            [memory.gather(group, chosen, offsets, course, settings) for group in groups],
        )
    else:
        gathered = list(cores.run(_gather, (chosen, offsets, course, settings), groups))
    drives = [drive for drive in gathered if drive is not None]

    notes, shifts = _clock_notes(recordings, gnss, twins, spans, offsets, course)
    figures = _figures(trap, drives, course)
    wanted = [n for n in range(1, len(drives) + 1) if only in (None, n)]
    fused = _with_wheels(recordings, gnss, twins, drives, wanted, setup, notes, shifts, settings, cores)
    words = _words(unit, list(figures.values()))
    passes = tuple(
        judge(drive, n, course, figures.get(n), air, words, settings)
        for n, drive in zip(wanted, fused, strict=True)
    )
    summaries = tuple(_summary(recordings[i], shifts[i], tuple(notes[i])) for i in range(len(recordings)))
    if facts is not None and (facts != type(facts)() or any(drive.wheels for drive in fused)):
        from speedlog.vehicle.passes import with_cost  # takes a while to import: only where it is needed

        passes = with_cost(passes, facts, course, left=left, settings=settings)
    found = Review(summaries, passes, _course_summary(course), _warnings(drives, gnss, course), len(drives))
    return marked(found, course, settings.locate)


def _clock_notes(
    recordings: Sequence[Recording], gnss: Sequence[int], twins: Mapping[int, int],
    spans: Sequence[Sequence[PassSpan]], offsets: Sequence[ClockOffset], course: Course | None,
) -> tuple[dict[int, list[str]], dict[int, float | None]]:  # fmt: skip
    """Warnings of each recording so far, and what is known of its clock, by its place among the files."""
    notes: dict[int, list[str]] = {i: list(recording.warnings) for i, recording in enumerate(recordings)}
    for i, first in twins.items():
        notes[i].append(f"all of it stands in {recordings[first].file} too: counted once")
    shifts: dict[int, float | None] = dict.fromkeys(range(len(recordings)))
    for place, i in enumerate(gnss):
        # a log without a date knows UTC only once another logger has told it
        told = recordings[i].clock is Clock.UTC or offsets[place].warning is not None
        shifts[i] = offsets[place].offset_s if told else None
        notes[i] += [text for text in (offsets[place].warning,) if text]
        if not spans[place]:
            notes[i].append(
                "no pass at speed was found in it" + (" over this course's trap" if course else "")
            )
    return notes, shifts


_Day = tuple[Sequence[Recording], Sequence[ClockOffset], Course | None, Settings]


def _gather(day: _Day, group: PassGroup) -> Drive | None:
    """The task of one pass: cut out and fused."""
    return gather(group, *day)


def _add_wheels(
    day: tuple[Sequence[WheelLog], Settings], drive: Drive
) -> tuple[Drive, tuple[tuple[int, str], ...]]:
    """The task of one pass: its motion, from the wheel logs too."""
    return add_wheels(drive, *day)


class Memory:
    """What was read and fused already: passes of one day share a log, and each is reviewed by itself."""

    def __init__(self) -> None:
        self._recordings: dict[tuple[Path, ReadOptions], tuple[Recording, ...]] = {}
        self._drives: dict[object, Drive | None] = {}

    def read_all(self, path: Path, options: ReadOptions) -> tuple[Recording, ...]:
        """The logs of a file: one, or those of an archive."""
        key = (path, options)
        if key not in self._recordings:
            self._recordings[key] = read_all(path, options)
        return self._recordings[key]

    def gather(
        self, group: PassGroup, recordings: Sequence[Recording], offsets: Sequence[ClockOffset],
        course: Course | None, settings: Settings,
    ) -> Drive | None:  # fmt: skip
        whose = tuple((recordings[i].sha256, offsets[i].offset_s, span) for i, span in group.members)
        key = (whose, tuple(item.file for item in recordings), course, settings)
        if key not in self._drives:
            self._drives[key] = gather(group, recordings, offsets, course, settings)
        return self._drives[key]


def _words(unit: str | None, figures: Sequence[str]) -> Words:
    """The unit for sentences: as asked for, else each figure's own; a time takes that of the others."""
    if unit is not None and find_unit(unit, "speed") is None:
        raise SpeedlogError(f'"{plain(unit)}" is not a unit of speed', todo="Take mph, km/h or m/s.")
    asked = find_unit(unit, "speed") if unit else None
    given = [found for text in figures if (found := find_unit(unit_part(text), "speed"))]
    return Words(asked.symbol if asked else None, given[0].symbol if given else "km/h")


def _with_wheels(
    recordings: Sequence[Recording], gnss: Sequence[int], twins: Mapping[int, int], drives: Sequence[Drive],
    wanted: Sequence[int], setup: WheelSetup, notes: dict[int, list[str]], shifts: dict[int, float | None],
    settings: Settings, cores: Cores,
) -> list[Drive]:  # fmt: skip
    """The wanted passes with every log that counts turns; what could not be used is noted."""
    logs: list[WheelLog] = []
    for i, recording in enumerate(recordings):
        if i in twins:
            continue
        if not recording.samples["rpm"].notna().any():
            if i not in gnss:
                notes[i].append("it holds neither positions nor rpm: not used for the speed")
            continue
        log, warnings = prepare_wheel(i, recording, setup, drives, settings.fusion)
        notes[i] += warnings
        if log is not None:
            logs.append(log)
    out = []
    for fused, left_out in cores.run(_add_wheels, (logs, settings), [drives[n - 1] for n in wanted]):
        out.append(fused)
        for place, text in left_out:
            notes[place].append(text)
        for part in fused.wheels:
            if part.recording not in gnss and shifts[part.recording] is None:
                shifts[part.recording] = part.fit.offset_s
            hint = scale_warning(setup, part.fit.source.scale, settings.fusion)
            if hint and hint not in notes[part.recording]:
                notes[part.recording].append(hint)
    return out


def _wheel_setup(wheel_diameter: str | None, gear_ratio: float | None, pole_pairs: int | None) -> WheelSetup:
    diameter = (
        None if wheel_diameter is None else parse_quantity(wheel_diameter, "length", "wheel diameter").value
    )
    if diameter is not None and not 0.01 <= diameter <= 2.0:
        raise SpeedlogError(
            f'wheel diameter: "{plain(wheel_diameter)}" is no wheel', todo='Write it like "88 mm".'
        )
    if gear_ratio is not None and not 0.05 <= gear_ratio <= 50:
        raise SpeedlogError(
            f"gear ratio: {gear_ratio:g} is no gear", todo="Give motor turns per wheel turn, like 1.0."
        )
    if pole_pairs is not None and not 1 <= pole_pairs <= 50:
        raise SpeedlogError(f"pole pairs: {pole_pairs} is no motor", todo="Count its magnets and halve them.")
    return WheelSetup(diameter, gear_ratio, pole_pairs)


def _distinct(paths: Sequence[PathLike]) -> list[Path]:
    """The files, each once: the same log twice is no second witness."""
    found: list[Path] = []
    for path in map(Path, paths):
        if path not in found:
            found.append(path)
    if not found:
        raise SpeedlogError("no log file was given", todo="Name at least one GNSS log.")
    return found


def _twins(recordings: Sequence[Recording]) -> dict[int, int]:
    """Recordings that another one holds already, and which: a copy is no second witness.

    A logger left switched on writes, after each pass, a file that contains the earlier ones.
    """
    found: dict[int, int] = {}
    order = sorted(range(len(recordings)), key=lambda i: (-len(recordings[i].samples), i))
    for place, i in enumerate(order):
        holders = [j for j in order[:place] if j not in found and _holds(recordings[j], recordings[i])]
        if holders:
            found[i] = holders[0]
    return found


def _holds(longer: Recording, shorter: Recording) -> bool:
    """Whether nearly every sample of one recording stands in the other to the last digit."""
    if longer.sha256 == shorter.sha256:
        return True
    shared = shorter.samples.index.intersection(longer.samples.index)
    if longer.clock is not shorter.clock or len(shared) < 0.9 * len(shorter.samples):
        return False
    names = ["lat_deg", "lon_deg", "speed_mps", "rpm"]
    one, other = longer.samples.loc[shared, names], shorter.samples.loc[shared, names]
    same = (one.to_numpy() == other.to_numpy()) | (one.isna() & other.isna()).to_numpy()
    return bool(same.all(axis=1).mean() > 0.99) and bool(one.notna().to_numpy().any())


def _named(found: Sequence[Sequence[Recording]], paths: Sequence[Path]) -> list[Recording]:
    """Each recording under its file's own name; the folder (the archive) only where two share a name."""
    each = [
        (item, path if len(logs) == 1 else path / Path(item.file).name)
        for logs, path in zip(found, paths, strict=True)
        for item in logs
    ]
    names = [path.name for _, path in each]
    return [
        replace(item, file=path.name if names.count(path.name) == 1 else f"{path.parent.name}/{path.name}")
        for item, path in each
    ]


def _figures(trap: TrapFigures, drives: Sequence[Drive], course: Course | None) -> dict[int, str]:
    """Which pass each trap figure belongs to; never guessed."""
    if trap is None:
        return {}
    if course is None:
        raise SpeedlogError(
            "a trap figure needs the course", todo="Give --course C.toml (see: speedlog course --help)."
        )
    if isinstance(trap, Mapping):
        unknown = [number for number in trap if not 1 <= number <= len(drives)]
        if unknown:
            raise SpeedlogError(
                f"a trap figure is given for pass {unknown[0]}, but {len(drives)} were found",
                todo=_listing(drives),
            )
        return dict(trap)
    given = [trap] if isinstance(trap, str) else list(trap)
    if not drives:
        return {}
    if len(given) != len(drives):
        raise SpeedlogError(
            f"{len(given)} trap figure{'s' * (len(given) != 1)} for {len(drives)} passes",
            todo=f'{_listing(drives)} Name the pass, like --trap 2="187.5 mph".',
        )
    return dict(enumerate(given, start=1))


def _listing(drives: Sequence[Drive]) -> str:
    times = ", ".join(f"{n} at {drive.origin:%H:%M:%S}" for n, drive in enumerate(drives[:12], start=1))
    return f"Passes found (UTC): {times}." if times else "No pass was found."


def _summary(recording: Recording, offset_s: float | None, warnings: tuple[str, ...]) -> RecordingSummary:
    index = recording.samples.index
    known = recording.clock is not Clock.ELAPSED or offset_s is not None
    shift = pd.Timedelta(round((offset_s or 0.0) * 1e9), "ns")
    return RecordingSummary(
        file=recording.file,
        sha256=recording.sha256,
        format=recording.format,
        rate_hz=recording.rate_hz,
        samples=len(recording.samples),
        rejected=recording.rejected,
        start_utc=index[0] + shift if known and len(index) else None,
        end_utc=index[-1] + shift if known and len(index) else None,
        clock=str(recording.clock),
        clock_offset_s=offset_s,
        warnings=warnings,
    )


def _course_summary(course: Course | None) -> CourseSummary | None:
    if course is None:
        return None
    return CourseSummary(
        course.name, course.time_zone, course.entry_m, course.exit_m, course.defaulted, course.place_u_m,
        course.located_from,
    )  # fmt: skip


def _warnings(drives: Sequence[Drive], gnss: Sequence[int], course: Course | None) -> tuple[str, ...]:
    if drives:
        return ()
    if not gnss:
        return ("none of these files holds positions: a GNSS log is needed to find the pass",)
    where = " over this course's trap" if course else ""
    return (f"no pass at speed was found in these files{where}: is it the right course, and the right day?",)
