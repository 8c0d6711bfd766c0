"""Delimited text: any logger's or speed controller's table, by its headers or by the user's own mapping.

The way through: bytes to text (`delimited_text`), separator and header (`delimited_layout`), which
header fills which column (`delimited_choose`), rows (`delimited_rows`), times (`delimited_times`),
values (`delimited_values`), and the end that all importers share (`epochs`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speedlog.errors import SpeedlogError, plain
from speedlog.importers import ReadOptions, Source
from speedlog.importers.delimited_choose import Chosen, choose, facts_of, usual_units
from speedlog.importers.delimited_layout import SEPARATORS, Layout, find_layout
from speedlog.importers.delimited_map import Mapping, load_mapping
from speedlog.importers.delimited_origin import table_origins
from speedlog.importers.delimited_plan import Form, TimePlan, plan_time
from speedlog.importers.delimited_rows import Rows, read_rows
from speedlog.importers.delimited_text import Text, clean, looks_like_text
from speedlog.importers.delimited_times import TimesRead, read_times
from speedlog.importers.delimited_values import HINT, Values
from speedlog.importers.epochs import RawEpochs, build_recording
from speedlog.samples import MOST_REJECTS, Recording, Reject

NAME = "delimited"

# what this job can use; a table without any of it says nothing about a pass
_USEFUL = (
    "speed_mps",
    "rpm",
    "current_a",
    "voltage_v",
    "motor_temp_c",
    "controller_temp_c",
    "throttle",
    "accel_mps2",
)
_NO_HEADER_TODO = (
    f"Name the columns: {HINT} with header_line = 0 and [columns] time = {{ column = 1 }}, "
    'lat_deg = { column = 2 }, lon_deg = { column = 3 }, speed_mps = { column = 4, unit = "m/s" }.'
)


def sniff(head: bytes) -> bool:
    """Whether a file's first bytes may be a table of text. Sees no more than `HEAD_BYTES`; never raises."""
    return looks_like_text(head)


@dataclass(frozen=True, eq=False)
class TableRead:
    """A table as it was understood, before it becomes a recording."""

    text: Text
    layout: Layout
    plan: TimePlan
    chosen: dict[str, Chosen]
    rows: Rows
    times: TimesRead
    values: Values
    warnings: tuple[str, ...]

    @property
    def taken(self) -> set[int]:
        """Places of the columns of times."""
        return {self.plan.time.index} | ({self.plan.date} if self.plan.date is not None else set())


def read_table(source: Source, options: ReadOptions) -> TableRead:
    """Understand a table.

    Raises:
        SpeedlogError: see `read`.
    """
    mapping = load_mapping(options.columns, source.file)
    text = clean(source.data, mapping.encoding)
    layout = _layout(text, mapping, source, options)
    plan = plan_time(layout, mapping, source.file)
    taken = {plan.time.index} | ({plan.date} if plan.date is not None else set())
    chosen, warnings = choose(layout, mapping, taken)
    usual_units(chosen, warnings)
    rows = _rows(text, layout, plan, chosen, options)
    if not len(rows.line):
        why = f" (line {rows.rejects[0].line}: {rows.rejects[0].reason})" if rows.rejects else ""
        raise SpeedlogError(f"no row can be read{why}", file=source.file, todo="Look into the file.")
    times = read_times(rows.table, plan, layout, mapping, source.file)
    if not times.sound.all():  # comments and repeated headers may hide among them
        rows = _rows(text, layout, plan, chosen, options, every_line=True)
        times = read_times(rows.table, plan, layout, mapping, source.file)
    values = Values(rows.table, rows.line, times.time_ns, layout.decimal, options.settings)
    values.fill(chosen)
    _check_useful(values, layout, source)
    rpm = chosen.get("rpm")
    if rpm is not None and "wheel" in rpm.meaning.traits:
        warnings.append(f'"{plain(rpm.header)}" counts the wheel\'s turns: the gear ratio is 1')
    said = (text.warnings, plan.warnings, warnings, rows.warnings, times.warnings, values.warnings)
    return TableRead(
        text, layout, plan, chosen, rows, times, values, tuple(line for lines in said for line in lines)
    )


def read(source: Source, options: ReadOptions | None = None) -> Recording:
    """Read a table.

    Args:
        source: the file's name and bytes.
        options: the user's mapping and the thresholds.

    Raises:
        SpeedlogError: no header is understood, no column holds times, nothing in it is of use, or the
            mapping holds a mistake.
    """
    options = options or ReadOptions()
    found = read_table(source, options)
    rejects, rejected = _all_rejects(found.rows, found.times)
    rpm = found.chosen.get("rpm")
    return build_recording(
        source,
        format=NAME,
        clock=found.times.clock,
        epochs=_epochs(found.times, found.rows, found.values),
        rejects=rejects,
        rejected=rejected,
        warnings=found.warnings,
        options=options,
        electrical_rpm=rpm is not None and "electrical" in rpm.meaning.traits,
        facts=_facts(found),
        origins=table_origins(found.layout, found.plan, found.times, found.values.uses),
    )


def _layout(text: Text, mapping: Mapping, source: Source, options: ReadOptions) -> Layout:
    layout = find_layout(text, mapping, options.settings)
    if layout is not None:
        return layout
    if not text.data[: text.end].strip():
        raise SpeedlogError("holds no text", file=source.file, todo="Check that the log was written.")
    if mapping.header_line:
        raise SpeedlogError(
            f"header_line is {mapping.header_line}, but {plain(source.file)} has no such line",
            file=mapping.path,
            todo="Lines count from 1.",
        )
    tried = ", ".join(SEPARATORS)
    raise SpeedlogError(
        f"no line names at least two known columns (separators tried: {tried})",
        file=source.file,
        todo=_NO_HEADER_TODO,
    )


def _rows(
    text: Text,
    layout: Layout,
    plan: TimePlan,
    chosen: dict[str, Chosen],
    options: ReadOptions,
    every_line: bool = False,
) -> Rows:
    time, form = plan.time.index, plan.time.form
    stamps = [time] if form in (Form.STAMP, Form.CLOCK, Form.MINUTES) else []
    if plan.date is not None:
        stamps.append(plan.date)
    words = [chosen[name].index for name in ("fix", "lat_side", "lon_side") if name in chosen]
    wanted = {time, *stamps, *(item.index for item in chosen.values())}
    iso = [time] if form is Form.ISO else []
    return read_rows(text, layout, sorted(wanted), stamps, iso, words, options.settings, every_line)


def _check_useful(values: Values, layout: Layout, source: Source) -> None:
    """Refuse a table that says nothing about a pass.

    Raises:
        SpeedlogError: no rows, or no value of any use in them.
    """

    def filled(name: str) -> bool:
        return name in values.found and bool(np.isfinite(values.found[name]).any())

    if (filled("lat_deg") and filled("lon_deg")) or any(filled(name) for name in _USEFUL):
        return
    left_out = [text for text in values.warnings if "left out" in text]
    found = "; ".join(left_out[:1]) or "headers: " + "; ".join(
        plain(header, 30) for header in layout.headers[:8]
    )
    raise SpeedlogError(
        f"holds no positions, no speed and nothing of a speed controller ({found})",
        file=source.file,
        todo=f"Name the columns in {HINT} if it does.",
    )


def _all_rejects(rows: Rows, times: TimesRead) -> tuple[list[Reject], int]:
    lost = np.flatnonzero(~times.sound)
    reasons = [Reject(int(rows.line[at]), "its time can't be read") for at in lost[:MOST_REJECTS]]
    return [*rows.rejects, *reasons][:MOST_REJECTS], rows.rejected + len(lost)


def _epochs(times: TimesRead, rows: Rows, values: Values) -> RawEpochs:
    keep: slice | NDArray[np.bool_] = slice(None) if times.sound.all() else times.sound
    return RawEpochs(
        times.time_ns[keep], rows.line[keep], {name: found[keep] for name, found in values.found.items()}
    )


def _facts(found: TableRead) -> dict[str, str]:
    layout, plan, taken = found.layout, found.plan, found.taken
    chosen = {name: item for name, item in found.chosen.items() if name in found.values.found}
    separator = next(name for name, char in SEPARATORS.items() if char == layout.separator)
    time = f'time from "{plain(plan.time.header, 60)}"'
    if plan.date is not None:
        time += f' and "{plain(layout.headers[plan.date], 60)}"'
    facts = facts_of(chosen, layout, [*taken, *(item.index for item in chosen.values())])
    facts["columns"] = "; ".join(part for part in (time, facts["columns"]) if part)
    return facts | {
        "separator": separator,
        "decimal": layout.decimal,
        "encoding": found.text.encoding,
        "header line": str(layout.header_line),
    }
