"""A claim: passes with all that is known of them, as the logbook has it and as claim.json says it.

claim.json alone, with the files it names, gives everything again that is computed: that is what makes the
evidence checkable.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, NoReturn

import speedlog
from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import content, results, rows
from speedlog.logbook.kept_logs import KeptLog
from speedlog.logbook.names import file_name
from speedlog.logbook.results import Inputs
from speedlog.logbook.rows import PassRow, SessionRow
from speedlog.logbook.store import Logbook
from speedlog.logbook.two_way import Rule

FILE = "claim.json"


@dataclass(frozen=True)
class Correction:
    """One value that was put right."""

    what: str
    field: str
    old: str | None
    new: str | None
    at: str
    reason: str


@dataclass(frozen=True)
class ClaimedPass:
    """A pass of a claim.

    Attributes:
        log_files, column_files: names in the zip of each log, and of its mapping of columns ("" where none).
        taken_in: when each log came into the logbook.
        course_file: name in the zip of its course.toml.
        measured_at, trap_at: when what was measured, and the trap figure, were entered.
    """

    row: PassRow
    session: SessionRow
    inputs: Inputs
    log_files: tuple[str, ...]
    column_files: tuple[str, ...]
    taken_in: tuple[str, ...]
    course_file: str | None
    measured_at: Mapping[str, str]
    trap_at: str | None
    corrections: tuple[Correction, ...]
    program: str
    environment: Mapping[str, str]

    @property
    def review_file(self) -> str:
        return f"pass-{self.row.id}/review.json"


@dataclass(frozen=True)
class Claim:
    """What is claimed: the passes, the rule by which they count, what is attached, and when the results were made."""

    passes: tuple[ClaimedPass, ...]
    rule: Rule | None
    attachments: tuple[str, ...]
    program: str
    made: dt.datetime
    made_with: Mapping[str, str]


def gather(
    book: Logbook, pass_rows: Sequence[PassRow], rule: Rule | None, attachments: Sequence[str],
    made_with: Mapping[str, str],
) -> Claim:  # fmt: skip
    """A claim from the logbook.

    Args:
        attachments: their names in the zip.
        made_with: versions of what draws the page.

    Raises:
        SpeedlogError: a pass is given twice, has no review, or one that is not of today's program and figures.
    """
    if len({row.id for row in pass_rows}) < len(pass_rows):
        raise SpeedlogError("a pass is given twice", todo="Give each pass of the claim once.")
    taken: set[str] = set()
    names: dict[str, str] = {}  # sha256 -> name in the zip: a log that holds both passes is in it once
    passes = tuple(_claimed(book, row, taken, names) for row in pass_rows)
    made = max(row.result.made_at for row in pass_rows if row.result is not None)
    return Claim(
        passes, rule, tuple(attachments), speedlog.__version__,
        dt.datetime.fromisoformat(made.replace("Z", "+00:00")), made_with,
    )  # fmt: skip


def _claimed(book: Logbook, row: PassRow, taken: set[str], names: dict[str, str]) -> ClaimedPass:
    inputs = results.inputs_of(book, row.id)
    if row.result is None or not results.is_current(book, inputs):
        raise SpeedlogError(
            f"the result of pass {row.id} is not of this program and its present figures",
            todo="Run: speedlog logbook refresh",
        )
    if row.result.error is not None:
        raise SpeedlogError(f"pass {row.id} has no review: {row.result.error}", todo="A claim needs one.")
    added = {item["sha256"]: item["added_at"] for item in book.rows(_ADDED)}
    return ClaimedPass(
        row=row,
        session=rows.session_row(book, row.session_id),
        inputs=inputs,
        log_files=tuple(_named(log.sha256, "originals", log.name, taken, names) for log in inputs.logs),
        column_files=tuple(
            "" if log.columns_sha256 is None
            else _named(log.columns_sha256, "columns", f"{log.name}.toml", taken, names)
            for log in inputs.logs
        ),
        taken_in=tuple(added[log.sha256] for log in inputs.logs),
        course_file=None
        if inputs.course is None
        else _named(content.sha256_of(inputs.course), "course", f"{row.venue or 'course'}.toml", taken, names),
        measured_at={
            item["key"]: item["entered_at"]
            for item in book.rows("SELECT key, entered_at FROM measured WHERE pass_id = ? AND text <> ''", (row.id,))
        },
        trap_at=_trap_at(book, row.id),
        corrections=_corrections(book, row),
        program=row.result.program,
        environment=row.result.environment,
    )  # fmt: skip


_ADDED = "SELECT sha256, added_at FROM recording JOIN content ON content.id = content_id"


def _named(sha256: str, folder: str, name: str, taken: set[str], names: dict[str, str]) -> str:
    key = f"{folder}/{sha256}"
    if key not in names:
        # one set of names for all folders, so that they can also lie in one
        names[key] = f"{folder}/{file_name(name, taken)}"
    return names[key]


def _trap_at(book: Logbook, pass_id: int) -> str | None:
    row = book.row("SELECT trap_entered_at FROM pass WHERE id = ?", (pass_id,))
    found: str | None = None if row is None else row["trap_entered_at"]
    return found


def _corrections(book: Logbook, row: PassRow) -> tuple[Correction, ...]:
    found = book.rows(
        "SELECT what, field, old, new, at, reason FROM amendment WHERE whose IN (?, ?) ORDER BY at, id",
        (row.uid, rows.session_row(book, row.session_id).uid),
    )
    return tuple(Correction(*item) for item in found)


def as_json(claim: Claim) -> dict[str, Any]:
    """claim.json."""
    return {
        "schema_version": 1,
        "program": claim.program,
        "made": claim.made.isoformat(),
        "made_with": dict(claim.made_with),
        "rule": None if claim.rule is None else claim.rule.as_json(),
        "attachments": list(claim.attachments),
        "passes": [_pass_json(item) for item in claim.passes],
    }


def _pass_json(item: ClaimedPass) -> dict[str, Any]:
    row, session, inputs = item.row, item.session, item.inputs
    return {
        "pass": row.id,
        "uid": row.uid,
        "session": {"name": session.name, "date": session.date, "venue": session.venue, "car": session.car,
                    "uid": session.uid, "weather": dict(session.weather)},
        "number": row.number,
        "start_utc": inputs.start_utc,
        "end_utc": inputs.end_utc,
        "trap": row.trap_text,
        "trap_entered_at": item.trap_at,
        "weather": dict(row.weather),
        "setup": dict(row.setup),
        "stated": sorted(row.stated),
        "note": row.note,
        "measured": {
            key: {"text": text, "entered_at": item.measured_at.get(key)} for key, text in row.measured.items()
        },
        "unit": inputs.unit,
        "course": item.course_file,
        "logs": [
            {"name": log.name, "file": file, "sha256": log.sha256, "columns": columns or None, "taken_in": moment}
            for log, file, columns, moment in zip(
                inputs.logs, item.log_files, item.column_files, item.taken_in, strict=True
            )
        ],
        "review": item.review_file,
        "program": item.program,
        "environment": dict(item.environment),
        "corrections": [vars(found) for found in item.corrections],
    }  # fmt: skip


def from_json(files: Mapping[str, bytes]) -> Claim:
    """The claim again, from claim.json and the files beside it.

    Raises:
        SpeedlogError: it is not as this program writes it, or names a file that is not there.
    """
    try:
        found = json.loads(files.get(FILE, b""))
        if found["schema_version"] != 1:
            _fail("it is of a newer version of speedlog")
        return Claim(
            passes=tuple(_claimed_from(item, files) for item in found["passes"]),
            rule=None if found["rule"] is None else _rule(found["rule"]),
            attachments=tuple(map(str, found["attachments"])),
            program=str(found["program"]),
            made=dt.datetime.fromisoformat(found["made"]).astimezone(dt.UTC),
            made_with={str(key): str(value) for key, value in found["made_with"].items()},
        )
    except (
        ValueError,
        TypeError,
        KeyError,
        AttributeError,
        IndexError,
        OverflowError,
        RecursionError,
    ) as error:
        _fail(f"{type(error).__name__}: {plain(error, 80)}")


def _rule(found: Mapping[str, Any]) -> Rule:
    mean = found["mean"]
    if mean not in ("times", "speeds"):
        _fail(f'"{plain(mean)}" is no mean')
    return Rule(str(found["name"] or ""), float(found["window_s"]), mean, float(found["least_gain"]))


def _claimed_from(item: Mapping[str, Any], files: Mapping[str, bytes]) -> ClaimedPass:
    session, number = item["session"], int(item["number"])
    weather = {str(key): str(text) for key, text in item["weather"].items()}
    row = PassRow(
        id=int(item["pass"]), uid=str(item["uid"]), session_id=0, session=str(session["name"]),
        date=session["date"], venue=str(session["venue"]), car=str(session["car"]), number=number,
        start_utc=rows.dated(item["start_utc"]), end_utc=rows.dated(item["end_utc"]), trap_text=item["trap"],
        setup=MappingProxyType(dict(item["setup"])), stated=frozenset(map(str, item["stated"])),
        weather=MappingProxyType(weather), note=str(item["note"]),
        measured=MappingProxyType({str(key): str(value["text"]) for key, value in item["measured"].items()}),
        result=None,
    )  # fmt: skip
    logs = tuple(_log(log, files) for log in item["logs"])
    inputs = Inputs(
        pass_id=row.id, logs=logs, course=None if item["course"] is None else _file(files, item["course"]),
        trap=item["trap"], unit=item["unit"], start_utc=item["start_utc"], end_utc=item["end_utc"],
        setup=dict(row.setup), weather=weather, measured=dict(row.measured),
    )  # fmt: skip
    return ClaimedPass(
        row=row,
        session=SessionRow(0, str(session["uid"]), row.session, row.date, None, row.venue, row.car,
                           MappingProxyType(dict(session["weather"]))),
        inputs=inputs,
        log_files=tuple(str(log["file"]) for log in item["logs"]),
        column_files=tuple(str(log["columns"] or "") for log in item["logs"]),
        taken_in=tuple(str(log["taken_in"]) for log in item["logs"]),
        course_file=item["course"],
        measured_at={str(key): value["entered_at"] for key, value in item["measured"].items()},
        trap_at=item["trap_entered_at"],
        corrections=tuple(Correction(**found) for found in item["corrections"]),
        program=str(item["program"]),
        environment={str(key): str(value) for key, value in item["environment"].items()},
    )  # fmt: skip


def _log(found: Mapping[str, Any], files: Mapping[str, bytes]) -> KeptLog:
    data = _file(files, found["file"])
    columns = None if found["columns"] is None else _file(files, found["columns"])
    return KeptLog(
        str(found["name"]), content.sha256_of(data), None if columns is None else content.sha256_of(columns), data,
        columns,
    )  # fmt: skip


def _file(files: Mapping[str, bytes], name: str) -> bytes:
    if name not in files:
        _fail(f'"{plain(name)}" is not in the zip')
    return files[name]


def _fail(problem: str) -> NoReturn:
    raise SpeedlogError(
        f"can't be used: {problem}", file=FILE, todo="Ask its maker for the zip as it was made."
    )
