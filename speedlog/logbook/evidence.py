"""Evidence for a claim: one zip with everything from which a sceptical third party can compute it again."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from speedlog.errors import SpeedlogError
from speedlog.logbook import claim as claims
from speedlog.logbook import evidence_text, results, rows, verify
from speedlog.logbook.claim import Claim, ClaimedPass
from speedlog.logbook.evidence_zip import packed
from speedlog.logbook.kept_day import as_session
from speedlog.logbook.kept_logs import KeptMemory
from speedlog.logbook.rows import PassRow
from speedlog.logbook.store import Logbook
from speedlog.logbook.two_way import Rule
from speedlog.results import Review
from speedlog.session.day import ReviewedPass, SessionReview

SUMS = "SHA256SUMS"
README = "README.txt"
Page = Callable[[SessionReview, dt.datetime], str]


@dataclass(frozen=True)
class Evidence:
    """The files by their names in the zip, and the zip's own bytes."""

    claim: Claim
    files: Mapping[str, bytes]
    zipped: bytes

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.zipped).hexdigest()


def make(
    book: Logbook, passes: Sequence[PassRow], page: Page, *, rule: Rule | None = None,
    attachments: Mapping[str, bytes] | None = None, made_with: Mapping[str, str] | None = None,
    begin: Callable[[int, int], None] | None = None,
) -> Evidence:  # fmt: skip
    """The evidence of these passes; the same logbook and program give the same bytes.

    Args:
        page: makes the report of a session, given the moment to be written on it.
        attachments: by names that fit a file system.
        made_with: versions of what makes the page.
        begin: told before each review: which of how many.

    Raises:
        SpeedlogError: see `claim.gather`; or a kept result is not what its logs give today.
    """
    attached = {f"attachments/{name}": data for name, data in (attachments or {}).items()}
    claim = claims.gather(book, passes, rule, sorted(attached), made_with or {})
    reviews = reviewed(claim, begin=begin)
    files = attached | originals(claim)
    for item, review in zip(claim.passes, reviews, strict=True):
        kept = rows.review_json(book, item.row.id)
        wrong = verify.difference(kept, plain_json(review), verify.tolerance(item.environment))
        if wrong:
            raise SpeedlogError(
                f"the kept result of pass {item.row.id} is not what its logs give now: {wrong}",
                todo="See: speedlog logbook verify",
            )
        files[item.review_file] = as_bytes(kept)
    files[claims.FILE] = as_bytes(claims.as_json(claim))
    files |= computed(claim, reviews, page)
    files[SUMS] = sums(files)
    return Evidence(claim, files, packed(files))


def reviewed(claim: Claim, *, begin: Callable[[int, int], None] | None = None) -> list[Review]:
    """Each pass of a claim, reviewed from the bytes in it.

    Raises:
        SpeedlogError: a pass can't be reviewed.
    """
    memory, found = KeptMemory(), []
    for place, item in enumerate(claim.passes, start=1):
        if begin is not None:
            begin(place, len(claim.passes))
        found.append(results.review_of(item.inputs, memory=memory))
    return found


def originals(claim: Claim) -> dict[str, bytes]:
    """The logs, mappings and courses, bit for bit."""
    files: dict[str, bytes] = {}
    for item in claim.passes:
        for log, name, columns in zip(item.inputs.logs, item.log_files, item.column_files, strict=True):
            files[name] = log.data
            if log.columns is not None:
                files[columns] = log.columns
        if item.course_file is not None and item.inputs.course is not None:
            files[item.course_file] = item.inputs.course
    return files


def computed(claim: Claim, reviews: Sequence[Review], page: Page) -> dict[str, bytes]:
    """What is made of the facts besides the reviews: the report of each session, and the README."""
    days: dict[str, list[tuple[ClaimedPass, Review]]] = {}
    for item, review in zip(claim.passes, reviews, strict=True):
        days.setdefault(item.session.uid, []).append((item, review))
    files = {}
    for place, mine in enumerate(days.values(), start=1):
        name = "report.html" if len(days) == 1 else f"report-{place}.html"
        files[name] = page(_day(mine), claim.made).encode("utf-8")
    files[README] = evidence_text.readme(claim, reviews, sorted(files)).encode("utf-8")
    return files


def _day(mine: Sequence[tuple[ClaimedPass, Review]]) -> SessionReview:
    """The passes of one session, as the report shows them."""
    logs = [[log.name for log in item.inputs.logs] for item, _ in mine]
    course = next((item.inputs.course for item, _ in mine if item.inputs.course is not None), None)
    day = as_session(
        mine[0][0].session,
        [item.row for item, _ in mine],
        logs,
        results.course_from(course),
        Path(claims.FILE),
    )
    pairs = zip(day.passes, mine, strict=True)
    return SessionReview(
        day, tuple(ReviewedPass(entry, review, review.passes) for entry, (_, review) in pairs)
    )


def sums(files: Mapping[str, bytes]) -> bytes:
    """A line a file, as sha256sum writes it."""
    lines = [f"{hashlib.sha256(files[name]).hexdigest()}  {name}\n" for name in sorted(files)]
    return "".join(lines).encode("utf-8")


def plain_json(review: Review) -> dict[str, Any]:
    """A review as it comes back from JSON."""
    found: dict[str, Any] = json.loads(json.dumps(review.as_json(), allow_nan=False))
    return found


def as_bytes(value: Any) -> bytes:
    return (json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode("utf-8")
