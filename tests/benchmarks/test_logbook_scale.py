"""The invented big logbook is a sound one. No timing is judged."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from speedlog.demo.draws import seeded
from speedlog.demo.families import family
from speedlog.logbook import rows, verify
from speedlog.logbook.store import Logbook
from tests.benchmarks.logbook_scale import _FIRST, DAY, HANDFUL, _base, _repeat, _size


def test_repeated_passes_are_like_the_first_ones_and_later(tmp_path: Path) -> None:
    run = replace(family("clean_25hz", seeded(1, "clean_25hz", 0)), launch_ns=_FIRST)
    (tmp_path / "course.toml").write_text(run.course_toml(), encoding="utf-8")
    path, originals = _base(tmp_path, run, 1)
    assert originals == sum(log.stat().st_size for log in tmp_path.glob("*.nmea")) > 0
    _repeat(path, 20 - HANDFUL, 1)
    with Logbook.open(path, read_only=True) as book:
        found = rows.passes(book)
        assert len(found) == 20 and len(rows.sessions(book)) == 20 // DAY
        assert [row.start_utc for row in found] == sorted(row.start_utc or "" for row in found)
        assert len(rows.recordings(book)) == 40 and verify.file_troubles(book) == []
        assert {row.date for row in found} == {"2026-07-12", "2026-07-13"}
    # the packed bytes of four passes stand five times
    row = _size(path, originals / HANDFUL * 20)
    assert 0 < row["value"] < 1
