"""Rows of passes as the logbook gives them, invented, for tests of what is made of them."""

from __future__ import annotations

import json
from collections.abc import Iterable

from speedlog.logbook import content
from speedlog.logbook.results import Made, store
from speedlog.logbook.rows import PassRow, ResultRow
from speedlog.logbook.store import Logbook, new_uid, now_text


def kept(
    id_: int = 1,
    *,
    trap: float | None = None,
    trap_u: float = 0.2,
    peak: float | None = None,
    peak_u: float = 0.3,
    estimate: float | None = None,
    estimate_u: float = 0.3,
    outbound: bool | None = True,
    at: str | None = "2026-07-12T10:00:00.000000Z",
    verdict: str | None = None,
    session: int = 1,
    **more,
) -> PassRow:
    """A pass; `trap_u` and so on are halves of the 95 % interval."""

    def ends(name: str, value: float | None, half: float) -> dict[str, float]:
        if value is None:
            return {}
        return {f"{name}_mps": value, f"{name}_low_mps": value - half, f"{name}_high_mps": value + half}

    in_result = {
        key: more.pop(key) for key in ("independent", "trap_accel_mps2", "trap_length_m") if key in more
    }
    result = ResultRow(
        made_at="2026-07-12T20:00:00.000Z",
        program="0.1.0",
        environment={},
        inputs_sha256="0" * 64,
        outbound=outbound,
        entry_utc=at,
        verdict=verdict,
        **{"trap_length_m": 30.0} | in_result,
        **ends("official", trap, trap_u),
        **ends("peak", peak, peak_u),
        **ends("estimate", estimate, estimate_u),
    )
    fields = {
        "id": id_, "uid": f"{id_:032x}", "session_id": session, "session": "Meeting", "date": "2026-07-12",
        "venue": "Field", "car": "Car", "number": id_, "start_utc": at, "end_utc": at, "trap_text": None,
        "setup": {}, "stated": frozenset(), "weather": {}, "note": "", "measured": {}, "result": result,
    }  # fmt: skip
    return PassRow(**fields | more)


def keep_rows(book: Logbook, rows: Iterable[PassRow]) -> None:
    """Put such rows into a logbook as they are, without logs; sessions and courses are made as they are met."""
    with book.writing("a test"):
        for row in rows:
            digest = f"# {row.venue}".encode()
            known = book.row("SELECT id FROM course WHERE name = ?", (row.venue,))
            course = known["id"] if known else book.run(
                "INSERT INTO course (uid, name, content_id) VALUES (?, ?, ?)",
                (new_uid(), row.venue, content.put(book, digest)),
            )  # fmt: skip
            if book.row("SELECT id FROM session WHERE id = ?", (row.session_id,)) is None:
                book.run(
                    "INSERT INTO session (id, uid, name, date, course_id, car, added_at) VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (row.session_id, new_uid(), row.session, row.date, course, row.car, now_text()),
                )
            book.run(
                "INSERT INTO pass (id, uid, session_id, number, start_utc, end_utc, trap_text, setup, note, added_at) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (row.id, row.uid, row.session_id, row.number, row.start_utc, row.end_utc, row.trap_text,
                 json.dumps(dict(row.setup)), row.note, now_text()),
            )  # fmt: skip
            if row.result is not None:
                store(book, row.id, Made(row.result, {"passes": []} if row.result.error is None else None))
