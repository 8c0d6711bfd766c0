"""A pass that helped to find the trap is no independent check of it: known again, marked, and said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from speedlog.course.coursefile import Course
from speedlog.course.located import took_part, witness_text
from speedlog.results import Pass, RecordingSummary, Review
from speedlog.settings import LocateSettings

NOT_INDEPENDENT = "This pass helped to find where the trap is, so it is no independent check."


def witnesses_of(review: Review, item: Pass, entered_utc: pd.Timestamp) -> tuple[str, ...]:
    """How a pass is written into the course that it helped to make: a text for each GNSS log."""
    logs = _logs(review)
    names = [logger.file for logger in item.loggers if logger.kind == "gnss" and logger.file in logs]
    return tuple(witness_text(logs[name].sha256, entered_utc - _offset(logs[name])) for name in names)


def marked(review: Review, course: Course | None, settings: LocateSettings) -> Review:
    """The review with a located trap named among the assumptions, and the passes that located it marked."""
    if course is None or not course.located_from:
        return review
    logs = _logs(review)
    passes = tuple(_marked_pass(item, logs, course, settings) for item in review.passes)
    return replace(review, passes=passes)


def located_text(course: Course) -> str:
    return (
        "the trap's place was found from logs and trap figures of passes, "
        f"good to {course.place_u_m:.1f} m (standard uncertainty)"
    )


def _marked_pass(
    item: Pass, logs: Mapping[str, RecordingSummary], course: Course, settings: LocateSettings
) -> Pass:
    trap, verdict = item.trap, item.verdict
    if trap is not None and trap.official is not None:
        told = (*trap.official.assumptions, located_text(course))
        trap = replace(trap, official=replace(trap.official, assumptions=told))
    if verdict is not None and _helped(item, logs, course, settings):
        # where the logs are too poor for any statement there is nothing to take back
        silent = verdict.code == "not_enough_data"
        text = verdict.text if silent else f"{verdict.text} {NOT_INDEPENDENT}"
        verdict = replace(verdict, text=text, independent=False)
    return replace(item, trap=trap, verdict=verdict)


def _helped(
    item: Pass, logs: Mapping[str, RecordingSummary], course: Course, settings: LocateSettings
) -> bool:
    """Whether the pass is one of those written down, on any of its logs' own clocks or by UTC."""
    spare = settings.same_pass_s
    for logger in item.loggers:
        log = logs.get(logger.file)
        if log is None or logger.kind != "gnss":
            continue
        for shift in (_offset(log), pd.Timedelta(0)):
            first, last = item.start_utc - shift, item.end_utc - shift
            if took_part(course.located_from, log.sha256, first, last, spare):
                return True
    return False


def _logs(review: Review) -> dict[str, RecordingSummary]:
    return {item.file: item for item in review.recordings}


def _offset(log: RecordingSummary) -> pd.Timedelta:
    return pd.Timedelta(round((log.clock_offset_s or 0.0) * 1e9), "ns")
