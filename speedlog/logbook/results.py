"""The review of a pass made from kept bytes alone: the same in `add`, in `refresh` and on a worker elsewhere."""

from __future__ import annotations

import hashlib
import json
import platform
import tomllib
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import speedlog
from speedlog.course.coursefile import Course
from speedlog.errors import SpeedlogError, plain
from speedlog.importers import ReadOptions
from speedlog.logbook import content, rows
from speedlog.logbook.joining import drives_in
from speedlog.logbook.kept_logs import KeptLog, KeptMemory
from speedlog.logbook.store import Logbook, now_text
from speedlog.pipeline import review
from speedlog.reconcile.official import official_figure, unit_part
from speedlog.results import Pass, Review
from speedlog.samples import utc_text
from speedlog.session.day import Weather
from speedlog.session.load import read_measured, read_setup, read_weather
from speedlog.session.table import Table
from speedlog.settings import Settings
from speedlog.units import find_unit
from speedlog.vehicle.facts import CarFacts, facts_of

NO_LOG = "No log was kept of this pass."
Seen = Callable[[int, Review], None]  # a pass's id, and its review


@dataclass(frozen=True)
class Inputs:
    """All that a pass's result is made of; it can be sent to another process.

    `start_utc`, `end_utc` say which drive of the logs it is; `unit` is that of the sentences where the figure
    names none. `setup`, `weather`, `measured` as written: what the pass cost the car is made with them.
    """

    pass_id: int
    logs: tuple[KeptLog, ...]
    course: bytes | None
    trap: str | None
    unit: str | None
    start_utc: str | None
    end_utc: str | None
    setup: Mapping[str, rows.SetupText] = field(default_factory=dict)
    weather: Mapping[str, str] = field(default_factory=dict)
    measured: Mapping[str, str] = field(default_factory=dict)

    @property
    def wheel_diameter(self) -> str | None:
        return str(self.setup["wheel_diameter"]) if "wheel_diameter" in self.setup else None

    @property
    def gear_ratio(self) -> float | None:
        return _number(self.setup, "gear_ratio")

    @property
    def pole_pairs(self) -> int | None:
        found = _number(self.setup, "pole_pairs")
        return None if found is None else int(found)

    @property
    def sha256(self) -> str:
        """Of everything that goes in: a result made of other things is stale. The order of the logs is no matter."""
        told = [
            sorted([log.name, log.sha256, log.columns_sha256 or ""] for log in self.logs),
            None if self.course is None else content.sha256_of(self.course),
            self.trap, self.unit, self.start_utc, self.end_utc,
            dict(self.setup), dict(self.weather), dict(self.measured),
        ]  # fmt: skip
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


@dataclass(frozen=True)
class Made:
    """A result, ready to be stored: the row, and the JSON of its review."""

    row: rows.ResultRow
    review: dict[str, Any] | None = None


def inputs_of(book: Logbook, pass_id: int, *, with_bytes: bool = True) -> Inputs:
    """What the result of a pass is made of; without the logs' bytes where only `sha256` is wanted."""
    row = rows.pass_row(book, pass_id)
    raw = book.row("SELECT start_utc, end_utc FROM pass WHERE id = ?", (pass_id,))
    assert raw is not None
    return Inputs(
        pass_id=pass_id,
        logs=tuple(_log(book, item, with_bytes) for item in rows.reviewed_recordings(book, pass_id)),
        course=rows.course_of(book, pass_id),
        trap=row.trap_text,
        unit=_borrowed_unit(book, row),
        start_utc=raw["start_utc"],
        end_utc=raw["end_utc"],
        setup=dict(row.setup),  # plain ones can be sent to another process
        weather=dict(row.weather),
        measured=dict(row.measured),
    )


def review_of(
    inputs: Inputs, *, car: bool = True, memory: KeptMemory | None = None, settings: Settings | None = None
) -> Review:
    """The review of one pass, with its traces, from kept bytes.

    Args:
        car: also what the pass cost the car, seen by itself; what the passes before add, `with_car` of a day tells.

    Raises:
        SpeedlogError: there is no log, the drive isn't found in them, or the review says why not.
    """
    if not inputs.logs:
        raise SpeedlogError(NO_LOG)
    settings = settings or Settings()
    memory = KeptMemory() if memory is None else memory
    paths = memory.take(inputs.logs)
    course = course_from(inputs.course)
    facts, unclear = _facts(inputs) if car else (None, ())
    options: dict[str, Any] = {
        "course": course, "wind": inputs.weather.get("wind"), "wheel_diameter": inputs.wheel_diameter,
        "gear_ratio": inputs.gear_ratio, "pole_pairs": inputs.pole_pairs, "unit": inputs.unit,
        "memory": memory, "settings": settings, "facts": facts, "left": False,
    }  # fmt: skip
    recordings = [memory.read(path, ReadOptions(settings=settings.read)) for path in paths]
    drives = drives_in(recordings, course, settings)
    if drives and inputs.start_utc is None:
        raise SpeedlogError(_several(len(drives)), todo="Name each drive as a pass of its own.")
    if len(drives) <= 1:
        found = review(paths, trap=inputs.trap, **options)
        if not found.passes:
            raise SpeedlogError(_no_drive(inputs))
        return replace(found, warnings=(*found.warnings, *unclear))
    number = _which(review(paths, **options).passes, inputs)
    trap = None if inputs.trap is None else {number: inputs.trap}
    found = review(paths, trap=trap, only=number, **options)
    return replace(found, warnings=(*found.warnings, *unclear))


def _facts(inputs: Inputs) -> tuple[CarFacts | None, tuple[str, ...]]:
    """What was written of car and weather; a text that can't be read costs no verdict, but is told."""
    where = Path(f"pass {inputs.pass_id}")
    try:
        setup = read_setup(Table(inputs.setup, where))
        weather = read_weather(Table(inputs.weather, where), Weather(), None)
        return facts_of(setup, weather, read_measured(Table(inputs.measured, where))), ()
    except SpeedlogError as error:
        return None, (f"what it cost the car can't be told: {plain(str(error), 300)}",)


def made_of(inputs: Inputs, *, memory: KeptMemory | None = None, settings: Settings | None = None) -> Made:
    """The result of a pass; where the review can't be made, its one line."""
    return _made_of(inputs, memory, settings)[0]


def _made_of(
    inputs: Inputs, memory: KeptMemory | None, settings: Settings | None
) -> tuple[Made, Review | None]:
    """The result of a pass, and the review with its traces, which is not kept."""
    told: dict[str, Any] = _official(inputs)
    blank = rows.ResultRow(now_text(), speedlog.__version__, environment(), inputs.sha256, **told)
    try:
        found = review_of(inputs, memory=memory, settings=settings)
    except SpeedlogError as error:
        return Made(replace(blank, error=plain(str(error), 600))), None
    return Made(replace(blank, **_figures(found.passes[0])), found.as_json()), found


def store(book: Logbook, pass_id: int, made: Made) -> None:
    """Put a result in the place of the last one, inside `writing`."""
    columns = {name: getattr(made.row, name) for name in rows.ResultRow.__dataclass_fields__}
    columns["environment"] = json.dumps(dict(made.row.environment), sort_keys=True)
    columns["review"] = None if made.review is None else _packed(made.review)
    columns["pass_id"] = pass_id
    names = ", ".join(columns)
    marks = ", ".join("?" * len(columns))
    book.run(f"INSERT OR REPLACE INTO result ({names}) VALUES ({marks})", tuple(columns.values()))


def is_current(book: Logbook, inputs: Inputs) -> bool:
    """Whether the kept result was made of these inputs, by this program."""
    row = book.row("SELECT program, inputs_sha256 FROM result WHERE pass_id = ?", (inputs.pass_id,))
    return row is not None and (row["program"], row["inputs_sha256"]) == (speedlog.__version__, inputs.sha256)


def bring_up_to_date(
    book: Logbook, session_id: int, first: Sequence[int] = (), *,
    settings: Settings | None = None, begin: Callable[[int, int], None] | None = None,
    seen: Seen | None = None,
) -> list[int]:  # fmt: skip
    """Review the passes of a session whose inputs have changed, `first` before the others; their ids.

    Each result is committed by itself: whoever is stopped goes on where that was.

    Args:
        begin: told before each review: which of how many.
        seen: given each review with its traces, for charts: they are not kept.
    """
    every = [row["id"] for row in book.rows("SELECT id FROM pass WHERE session_id = ?", (session_id,))]
    order = list(dict.fromkeys([*first, *every]))
    stale = [item for item in order if not is_current(book, inputs_of(book, item, with_bytes=False))]
    memory = KeptMemory()
    for place, pass_id in enumerate(stale, start=1):
        if begin is not None:
            begin(place, len(stale))
        made, found = _made_of(inputs_of(book, pass_id), memory, settings)
        store_if_unchanged(book, pass_id, made)
        if seen is not None and found is not None:
            seen(pass_id, found)
    return stale


def store_if_unchanged(book: Logbook, pass_id: int, made: Made) -> bool:
    """Store a result in a transaction of its own, unless what it was made of has changed meanwhile."""
    with book.writing("reviewed"):
        if inputs_of(book, pass_id, with_bytes=False).sha256 != made.row.inputs_sha256:
            return False
        store(book, pass_id, made)
    return True


def review_kept(book: Logbook, pass_id: int, *, settings: Settings | None = None) -> Review:
    """The review of a kept pass, made now, with traces for charts.

    Raises:
        SpeedlogError: see `review_of`.
    """
    return review_of(inputs_of(book, pass_id), settings=settings)


def environment() -> dict[str, str]:
    """What besides the program may move the last digits of a result."""
    found = {name: version(name) for name in ("numpy", "scipy", "pandas", "pyproj")}
    return found | {
        "python": platform.python_version(),
        "system": platform.system(),
        "machine": platform.machine(),
    }


def course_from(data: bytes | None) -> Course | None:
    """The course of kept bytes."""
    return None if data is None else Course.from_mapping(tomllib.loads(data.decode("utf-8-sig")))


def _log(book: Logbook, item: rows.RecordingRow, with_bytes: bool) -> KeptLog:
    columns = None if item.columns_id is None else content.get(book, item.columns_id)
    return KeptLog(
        item.name,
        item.sha256,
        None if columns is None else content.sha256_of(columns),
        content.get(book, item.content_id) if with_bytes else b"",
        columns,
    )


def _number(setup: Mapping[str, rows.SetupText], key: str) -> float | None:
    value = setup.get(key)
    return float(value) if isinstance(value, int | float) else None


def _borrowed_unit(book: Logbook, row: rows.PassRow) -> str | None:
    """For a pass whose figure is a time, or that has none: the unit of its session's first other figure."""
    if row.trap_text and find_unit(unit_part(row.trap_text), "speed"):
        return None
    others = book.rows(
        "SELECT trap_text FROM pass WHERE session_id = ? AND trap_text IS NOT NULL ORDER BY number",
        (row.session_id,),
    )
    units = [find_unit(unit_part(other["trap_text"]), "speed") for other in others]
    return next((unit.symbol for unit in units if unit), None)


def _which(found: tuple[Pass, ...], inputs: Inputs) -> int:
    """The number of the drive that is the pass: the one that shares the most time with it."""
    import pandas as pd

    assert inputs.start_utc is not None and inputs.end_utc is not None  # seen to before
    start, end = pd.Timestamp(inputs.start_utc), pd.Timestamp(inputs.end_utc)
    shared = {
        item.number: (min(end, item.end_utc) - max(start, item.start_utc)).total_seconds() for item in found
    }
    best = max(shared, key=lambda number: shared[number], default=None)
    if best is None or shared[best] <= 0:
        raise SpeedlogError(_no_drive(inputs))
    return best


def _several(count: int) -> str:
    return (
        f"{count} drive{'s' * (count != 1)} at speed in its logs, and none that can be told to be this pass"
    )


def _no_drive(inputs: Inputs) -> str:
    names = ", ".join(plain(log.name, 60) for log in inputs.logs)
    return f"no drive at speed was found in {names}"


def _official(inputs: Inputs) -> dict[str, float]:
    """The figure with its interval: known without any log."""
    course = course_from(inputs.course)
    if course is None:
        return {}
    found = {"trap_length_m": course.length_m}
    if inputs.trap is not None:
        try:
            official = official_figure(inputs.trap, course)
        except SpeedlogError:  # told by the review itself
            return found
        low, high = official.interval95_mps
        found |= {
            "official_mps": float(official.speed_mps),
            "official_low_mps": float(low),
            "official_high_mps": float(high),
        }
    return found


def _figures(item: Pass) -> dict[str, Any]:
    found: dict[str, Any] = {
        "heading_deg": float(item.heading_deg),
        "outbound": None if item.outbound is None else int(item.outbound),
        "trap_accel_mps2": None if item.trap_accel_mps2 is None else float(item.trap_accel_mps2),
    }
    if item.trap is not None:
        found |= {"entry_utc": utc_text(item.trap.entry_utc), "coverage": float(item.trap.coverage)}
        if item.trap.estimate_mps is not None:
            found["estimate_mps"] = float(item.trap.estimate_mps)
        if item.trap.interval95_mps is not None:
            found["estimate_low_mps"], found["estimate_high_mps"] = map(float, item.trap.interval95_mps)
    if item.peak is not None:
        found["peak_mps"] = float(item.peak.estimate_mps)
        found["peak_low_mps"], found["peak_high_mps"] = map(float, item.peak.interval95_mps)
    if item.verdict is not None:
        found |= {"verdict": item.verdict.code, "independent": int(item.verdict.independent)}
    return found


def _packed(found: Mapping[str, Any]) -> bytes:
    return zlib.compress(json.dumps(found, ensure_ascii=False, allow_nan=False).encode(), 9)
