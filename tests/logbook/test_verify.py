"""Damage is found and named; what is only of an older program is no damage."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator

import pytest

from speedlog.logbook import results, rows, verify
from speedlog.logbook.store import Logbook


@pytest.fixture
def quick(book: Logbook, monkeypatch: pytest.MonkeyPatch) -> Iterator[Logbook]:
    """A logbook whose third pass alone is reviewed again, so that a test of one pass takes one review."""
    real = verify.result_trouble
    monkeypatch.setattr(
        verify,
        "result_trouble",
        lambda book, row, memory=None: real(book, row, memory) if row.id == 3 else None,
    )
    yield book


def test_a_sound_logbook_and_every_result_to_the_last_digit(book: Logbook) -> None:
    begun: list[tuple[int, int]] = []
    found = verify.verify(book, begin=lambda place, count: begun.append((place, count)))
    assert found.sound and found.troubles == ()
    # five logs and a course; three passes
    assert (found.files, found.passes, found.reviewed) == (6, 3, 3)
    assert begun == [(1, 3), (2, 3), (3, 3)]
    assert found.as_json()["sound"] is True


def test_a_changed_result_is_named_with_its_place(quick: Logbook) -> None:
    kept = rows.review_json(quick, 3)
    assert kept is not None
    kept["passes"][0]["peak"]["estimate_mps"] += 1e-9
    with quick.writing("a test"):
        packed = zlib.compress(json.dumps(kept).encode())
        quick.run("UPDATE result SET review = ? WHERE pass_id = 3", (packed,))
    found = verify.verify(quick)
    assert not found.sound
    assert [(item.kind, item.name) for item in found.troubles] == [("result", "pass 3")]
    assert "passes.0.peak.estimate_mps" in found.troubles[0].text


def test_elsewhere_a_millionth_is_the_same(quick: Logbook) -> None:
    """On another computer figures agree to 1e-6 relative (the issue's own bound)."""
    row = quick.row("SELECT peak_mps FROM result WHERE pass_id = 3")
    assert row is not None
    for share, sound in ((0.9e-6, True), (1.1e-6, False)):
        with quick.writing("a test"):
            quick.run(
                'UPDATE result SET environment = \'{"system": "Elsewhere"}\', peak_mps = ? WHERE pass_id = 3',
                (row["peak_mps"] * (1 + share),),
            )
        assert verify.verify(quick).sound is sound


def test_results_of_another_program_or_of_older_figures_are_stale(quick: Logbook) -> None:
    with quick.writing("a test"):
        quick.run("UPDATE result SET program = '0.0.9' WHERE pass_id = 3")
    [found] = verify.verify(quick).troubles
    assert (found.kind, found.text) == ("stale", "reviewed by speedlog 0.0.9")
    with quick.writing("misheard"):
        quick.run("UPDATE result SET program = ? WHERE pass_id = 3", (results.speedlog.__version__,))
        quick.run("UPDATE pass SET trap_text = '180 mph' WHERE id = 3")
    report = verify.verify(quick)
    assert [item.kind for item in report.troubles] == ["stale"] and report.sound
    with quick.writing("a test"):
        quick.run("DELETE FROM result WHERE pass_id = 3")
    assert verify.verify(quick).troubles[0].text == "not reviewed yet"


def test_damaged_bytes_are_named_by_their_file(quick: Logbook) -> None:
    with quick.writing("a test"):
        quick.run(
            "UPDATE content SET packed = zeroblob(9) WHERE id = "
            "(SELECT content_id FROM recording WHERE name = 'p01_rear.csv')"
        )
    found = verify.verify(quick, review=False)
    assert [(item.kind, item.name) for item in found.troubles] == [("bytes", "p01_rear.csv")]
    assert not found.sound and found.reviewed == 0


def test_rows_that_lost_what_they_belong_to(quick: Logbook) -> None:
    quick.connection.execute("PRAGMA foreign_keys = OFF")
    with quick.writing("a test"):
        quick.run("UPDATE session SET course_id = 999 WHERE id = 1")
    assert "a row of session has lost its course" in verify.file_troubles(quick)


def test_differences_are_found_where_they_are() -> None:
    one = {"a": [1.0, {"b": None}], "c": "x"}
    assert verify.difference(one, {"a": [1.0, {"b": None}], "c": "x"}, 0) is None
    assert verify.difference(one, {"a": [1.0, {"b": 2}], "c": "x"}, 0) == "a.1.b: None kept, 2 now"
    assert verify.difference(one, {"a": [1.0], "c": "x"}, 0) == "a has 2 and 1 entries"
    assert verify.difference(one, {"a": [1.0, {"b": None}]}, 0) == "c is in one only"
    assert verify.difference(True, 1, 0) is not None
