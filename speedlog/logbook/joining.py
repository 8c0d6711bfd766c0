"""Which pass a file belongs to: its drives, and the kept passes whose time they share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from speedlog.course.coursefile import Course
from speedlog.course.passes import find_passes
from speedlog.fusion.clocks import group_passes, match_clocks
from speedlog.logbook.store import Logbook
from speedlog.samples import Clock, Recording, utc_text
from speedlog.settings import LogbookSettings, Settings


@dataclass(frozen=True)
class FoundDrive:
    """One drive at speed in the files given.

    Attributes:
        start, end: by the best clock among its logs; `dated` says whether that knows the date.
        logs: places of the files that saw it.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    dated: bool
    logs: tuple[int, ...]

    @property
    def start_utc(self) -> str:
        return utc_text(self.start) or ""

    @property
    def end_utc(self) -> str:
        return utc_text(self.end) or ""


def drives_in(recordings: Sequence[Recording], course: Course | None, settings: Settings) -> list[FoundDrive]:
    """The drives in files, in the order of time, as a review of all of them would number them."""
    gnss = [i for i, recording in enumerate(recordings) if recording.has_positions]
    spans = [find_passes(recordings[i], course, settings.passes) for i in gnss]
    offsets = match_clocks([recordings[i] for i in gnss], spans, settings.fusion)
    utc_known = any(recordings[g].clock is Clock.UTC and spans[i] for i, g in enumerate(gnss))
    found = []
    for group in group_passes(spans, offsets, settings.fusion):
        shifts = {i: pd.Timedelta(round(offsets[i].offset_s * 1e9), "ns") for i, _ in group.members}
        found.append(
            FoundDrive(
                start=min(span.start + shifts[i] for i, span in group.members),
                end=max(span.end + shifts[i] for i, span in group.members),
                dated=any(
                    recordings[gnss[i]].clock is Clock.UTC or (utc_known and offsets[i].warning is not None)
                    for i, _ in group.members
                ),
                logs=tuple(gnss[i] for i, _ in group.members),
            )
        )
    return found


def kept_pass(
    book: Logbook, drive: FoundDrive, venue: str, recording_ids: Sequence[int], settings: LogbookSettings
) -> int | None:
    """The kept pass that a drive is; the one that shares the most of its time.

    A drive of a log without a date is known again only in logs that are kept already, or that hold such a one.

    Args:
        venue: of the course; passes at another place are others.
        recording_ids: of the drive's logs, and of those that they supersede.
    """
    sql = (
        "SELECT pass.id, pass.start_utc, pass.end_utc FROM pass JOIN session ON session.id = pass.session_id "
        "LEFT JOIN course ON course.id = session.course_id "
        "WHERE pass.start_utc < ? AND pass.start_utc > ? AND pass.end_utc > ? AND coalesce(course.name, ?) = ?"
    )
    day_before = utc_text(drive.start - pd.Timedelta(1, "D"))
    values: list[object] = [drive.end_utc, day_before, drive.start_utc, venue, venue]
    if not drive.dated:
        marks = ", ".join("?" * len(recording_ids))
        sql += f" AND pass.id IN (SELECT pass_id FROM pass_recording WHERE recording_id IN ({marks}))"
        values += recording_ids
    shares = {
        int(row["id"]): _shared(drive, row["start_utc"], row["end_utc"]) for row in book.rows(sql, values)
    }
    best = max(shares, key=lambda item: shares[item], default=None)
    return best if best is not None and shares[best] > settings.shared_time else None


def _shared(drive: FoundDrive, start_text: str, end_text: str) -> float:
    start, end = pd.Timestamp(start_text), pd.Timestamp(end_text)
    shared = (min(end, drive.end) - max(start, drive.start)).total_seconds()
    shorter = min((end - start).total_seconds(), (drive.end - drive.start).total_seconds())
    return shared / shorter if shorter > 0 else 0.0
