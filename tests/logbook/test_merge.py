"""Two laptops, one season: nothing lost, nothing doubled, nothing overwritten."""

from __future__ import annotations

import json
import lzma
import re
import shutil
import sqlite3
import tracemalloc
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from speedlog.errors import SpeedlogError
from speedlog.logbook import content, results, rows
from speedlog.logbook.add import FileOptions, add_files, add_session
from speedlog.logbook.merge import Conflict, merge
from speedlog.logbook.merge_check import sound_review
from speedlog.logbook.merge_values import Before, outcome
from speedlog.logbook.rules import rules, set_rule
from speedlog.logbook.store import Logbook
from speedlog.logbook.targets import set_target, targets
from speedlog.session import load_session


@pytest.fixture
def blank_review(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is merged here are facts: no pass is reviewed."""
    monkeypatch.setattr(
        results, "made_of",
        lambda inputs, **_: results.Made(rows.ResultRow("t", "p", {}, inputs.sha256, error="not reviewed")),
    )  # fmt: skip


@pytest.fixture
def two(kept_file: Path, tmp_path: Path) -> Iterator[tuple[Logbook, Logbook]]:
    """The same logbook on two laptops."""
    paths = [Path(shutil.copy(kept_file, tmp_path / f"{name}.db")) for name in ("here", "there")]
    with Logbook.open(paths[0]) as here, Logbook.open(paths[1]) as there:
        yield here, there


def dump(book: Logbook) -> list[str]:
    return list(book.connection.iterdump())


def facts(book: Logbook) -> dict[str, set[object]]:
    """All that a logbook holds, without what is only of this computer: ids, uids and moments."""
    said = {
        (row.start_utc, key, str(value))
        for row in rows.passes(book, set_aside=True)
        for key, value in {
            "trap_text": row.trap_text, "note": row.note, "session": row.session, "date": row.date, "venue": row.venue,
            "car": row.car, **row.setup, **row.weather, **row.measured,
        }.items()
        if value not in (None, "")
    }  # fmt: skip
    told = {
        (item["field"], text)
        for item in book.rows("SELECT * FROM amendment")
        for text in (item["old"], item["new"])
        if text is not None and not item["field"].endswith("_utc")
    }
    joined = {
        (rows.pass_row(book, row["pass_id"]).start_utc, row["name"], row["parted_at"] is None)
        for row in book.rows("SELECT * FROM pass_recording JOIN recording ON recording.id = recording_id")
    }
    files = {row["sha256"] for row in book.rows("SELECT sha256 FROM content")}
    # a value that stands here may stand there as the one that was noted
    values = {(key, value) for _, key, value in said} | {(field.split(".")[-1], text) for field, text in told}
    return {"files": set(files), "joined": set(joined), "values": set(values)}


@pytest.mark.usefixtures("blank_review")
def test_an_empty_logbook_takes_all_of_another_and_twice_changes_nothing(
    book: Logbook, empty: Logbook
) -> None:
    done = merge(empty, book.path)
    assert (done.files, len(done.passes), done.conflicts, done.changed) == (5, 3, [], [])
    mine, other = rows.passes(empty), rows.passes(book)
    assert [row.uid for row in mine] == [row.uid for row in other]
    assert [rows.originals(empty, row.id) for row in mine] == [rows.originals(book, row.id) for row in other]
    # the results were made of just these facts, and came over
    assert [row.result for row in mine] == [row.result for row in other]
    before = dump(empty)
    again = merge(empty, book.path)
    assert dump(empty) == before
    assert (again.files, again.passes, again.conflicts, again.changed) == (0, [], [], [])


@pytest.mark.usefixtures("blank_review")
def test_two_laptops_that_kept_different_logs_of_one_day(day_folder: Path, tmp_path: Path) -> None:
    """One took the front logger of pass 1, the other its rear one and pass 2: two passes, not three."""
    course = day_folder / "course.toml"
    for name, files in (("a", ["p01_front.nmea"]), ("b", ["p01_rear.csv", "p02_front.nmea"])):
        with Logbook.open(tmp_path / f"{name}.db", create=True) as book:
            for file in files:
                add_files(book, [day_folder / file], FileOptions(course=course, car="Long Shrike"))
    shutil.copy(tmp_path / "a.db", tmp_path / "a2.db")
    with Logbook.open(tmp_path / "a.db") as one, Logbook.open(tmp_path / "b.db") as other:
        done = merge(one, other.path)
        assert len(rows.passes(one)) == 2 and len(done.passes) == 1 and done.conflicts == []
        assert {item.name for item in rows.recordings(one, 1)} == {"p01_front.nmea", "p01_rear.csv"}
        assert len(rows.sessions(one)) == 1
        merge(other, tmp_path / "a2.db")
        assert facts(one) == facts(other)


@pytest.mark.usefixtures("blank_review")
def test_a_named_session_and_the_unnamed_one_of_its_day_are_one(
    day_folder: Path, kept_copy: Path, tmp_path: Path
) -> None:
    with Logbook.open(tmp_path / "bare.db", create=True) as bare:
        add_files(
            bare, [day_folder / "p02_front.nmea"],
            FileOptions(course=day_folder / "course.toml", car="Long Shrike", trap="170.2 mph"),
        )  # fmt: skip
        assert bare.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0
        shutil.copy(bare.path, tmp_path / "bare2.db")
        done = merge(bare, kept_copy)
        assert [item.name for item in rows.sessions(bare)] == ["Invented morning"]
        # its only pass was counted as the first; by the timekeeper it was the second
        assert [row.number for row in rows.passes(bare)] == [1, 2, 3] and done.conflicts == []
    with Logbook.open(kept_copy) as named:
        done = merge(named, tmp_path / "bare2.db")
        assert [row.number for row in rows.passes(named)] == [1, 2, 3] and done.conflicts == []


def test_a_correction_there_comes_over_with_its_reason(two: tuple[Logbook, Logbook]) -> None:
    here, there = two
    with there.writing("misheard at the line"):
        there.run("UPDATE pass SET trap_text = '169.8 mph' WHERE id = 2")
    done = merge(here, there.path)
    assert done.conflicts == [] and done.changed == ["pass 2: trap_text 170.2 mph → 169.8 mph"]
    assert rows.pass_row(here, 2).trap_text == "169.8 mph"
    reasons = {item["reason"] for item in here.rows("SELECT reason FROM amendment")}
    assert reasons == {"misheard at the line", "merged from there.db"}
    # and the other way round: what was put right here is not undone by the old value there
    done = merge(there, here.path)
    assert rows.pass_row(there, 2).trap_text == "169.8 mph" and done.conflicts == []


def test_two_values_of_which_neither_knew_are_both_kept(two: tuple[Logbook, Logbook]) -> None:
    here, there = two
    for book, text in ((here, "169.8 mph"), (there, "172.0 mph")):
        with book.writing("misheard"):
            book.run("UPDATE pass SET trap_text = ?, note = ? WHERE id = 2", (text, f"It was {text}"))
    first = merge(here, there.path)
    assert first.conflicts == [
        Conflict("pass 2", "trap_text", "169.8 mph", "172.0 mph"),
        Conflict("pass 2", "note", "It was 169.8 mph", "It was 172.0 mph"),
    ]
    assert rows.pass_row(here, 2).trap_text == "169.8 mph"
    noted = here.rows("SELECT * FROM amendment WHERE reason LIKE 'merge: kept here%' AND field = 'trap_text'")
    assert [(item["old"], item["new"]) for item in noted] == [("172.0 mph", "169.8 mph")]
    state = dump(here)
    assert merge(here, there.path).conflicts == first.conflicts and dump(here) == state
    merge(there, here.path)
    assert rows.pass_row(there, 2).trap_text == "172.0 mph"
    assert facts(here)["values"] == facts(there)["values"]
    # settled by hand on one of them, it is settled on both
    with here.writing("the sheet says so"):
        here.run("UPDATE pass SET trap_text = '172.0 mph' WHERE id = 2")
    assert [item.field for item in merge(here, there.path).conflicts] == ["note"]


def test_what_is_empty_here_is_filled_and_what_was_emptied_stays_so(two: tuple[Logbook, Logbook]) -> None:
    here, there = two
    with there.writing("read from the sheet"):
        there.run("UPDATE pass SET trap_text = '175 mph', trap_entered_at = 't' WHERE id = 3")
        there.run("INSERT INTO measured VALUES (3, 'motor_temp_after', '61 °C', 't')")
    with here.writing("belongs to another car"):
        here.run("UPDATE pass SET note = '' WHERE id = 1")
    done = merge(here, there.path)
    row = rows.pass_row(here, 3)
    assert (row.trap_text, dict(row.measured)) == ("175 mph", {"motor_temp_after": "61 °C"})
    assert rows.pass_row(here, 1).note == "" and done.conflicts == []
    merge(there, here.path)
    assert rows.pass_row(there, 1).note == ""


def test_that_none_was_read_out_is_taken_over_where_nothing_was_said(two: tuple[Logbook, Logbook]) -> None:
    here, there = two
    with there.writing("none was read out"):
        there.run("UPDATE pass SET trap_entered_at = '2026-08-22T10:00:00.000Z' WHERE id = 3")
        there.run("UPDATE pass SET trap_text = NULL WHERE id = 2")
    assert merge(here, there.path).conflicts == []
    assert rows.pass_row(here, 3).no_figure
    state = dump(here)
    merge(here, there.path)
    assert dump(here) == state


def test_a_typed_set_up_goes_before_an_inherited_one(two: tuple[Logbook, Logbook]) -> None:
    here, there = two
    # pass 2 states its current limit and inherits its tyre (see conftest)
    with there.writing("forgotten"):
        setup = dict(rows.pass_row(there, 2).setup) | {"tyre": "hard"}
        there.run(
            'UPDATE pass SET setup = ?, stated = \'["current_limit", "tyre"]\' WHERE id = 2',
            (json.dumps(setup),),
        )
    for book, other in ((here, there), (there, here)):
        assert merge(book, other.path).conflicts == []
        row = rows.pass_row(book, 2)
        assert row.setup["tyre"] == "hard" and row.stated == {"current_limit", "tyre"}
        assert row.setup["current_limit"] == "125 A" and row.setup["wheel_diameter"] == "88 mm"


@pytest.mark.usefixtures("blank_review")
def test_another_car_of_the_same_day_is_another_session(
    day_folder: Path, kept_copy: Path, tmp_path: Path
) -> None:
    text = (day_folder / "session.toml").read_text(encoding="utf-8").replace("Long Shrike", "Short Wren")
    text = (
        text[: text.index("[[pass]]\nnumber = 3")]
        .replace("p02_front.nmea", "p03_rear.csv")
        .replace('logs = ["p01_front.nmea", "p01_rear.csv"]', "logs = []")
    )
    folder = tmp_path / "wren"
    shutil.copytree(day_folder, folder)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    with Logbook.open(tmp_path / "wren.db", create=True) as wren, Logbook.open(kept_copy) as book:
        add_session(wren, load_session(folder / "session.toml"))
        done = merge(book, wren.path)
        assert [item.car for item in rows.sessions(book)] == ["Long Shrike", "Short Wren"]
        assert len(done.passes) == 2 and len(rows.passes(book)) == 5
        state = dump(book)
        merge(book, wren.path)
        assert dump(book) == state


@pytest.mark.usefixtures("blank_review")
def test_numbers_that_collide_are_told(day_folder: Path, tmp_path: Path) -> None:
    options = FileOptions(course=day_folder / "course.toml", car="Long Shrike", session="Meeting")
    for name, file in (("a", "p01_front.nmea"), ("b", "p02_front.nmea")):
        with Logbook.open(tmp_path / f"{name}.db", create=True) as book:
            add_files(book, [day_folder / file], options)
    with Logbook.open(tmp_path / "a.db") as book:
        done = merge(book, tmp_path / "b.db")
        assert [(item.field, item.kept, item.other) for item in done.conflicts] == [("number", 2, 1)]
        assert [row.number for row in rows.passes(book)] == [1, 2]
        state = dump(book)
        merge(book, tmp_path / "b.db")
        assert dump(book) == state


@pytest.mark.usefixtures("blank_review")
def test_numbers_that_nobody_gave_are_no_conflict(day_folder: Path, tmp_path: Path) -> None:
    options = FileOptions(course=day_folder / "course.toml", car="Long Shrike")
    for name, file in (("a", "p01_front.nmea"), ("b", "p02_front.nmea")):
        with Logbook.open(tmp_path / f"{name}.db", create=True) as book:
            add_files(book, [day_folder / file], options)
    with Logbook.open(tmp_path / "a.db") as book:
        done = merge(book, tmp_path / "b.db")
        assert done.conflicts == [] and done.notes == ["pass 2 is no. 2 of its session here"]
        state = dump(book)
        assert merge(book, tmp_path / "b.db").conflicts == [] and dump(book) == state


@pytest.mark.usefixtures("blank_review")
def test_a_longer_log_there_supersedes_the_shorter_one_here(day_folder: Path, tmp_path: Path) -> None:
    data = (day_folder / "p01_front.nmea").read_bytes()
    cut = data.rindex(b"\r\n", 0, len(data) - 4000) + 2
    (tmp_path / "log.nmea").write_bytes(data[:cut])
    options = FileOptions(course=day_folder / "course.toml", car="Long Shrike")
    with Logbook.open(tmp_path / "a.db", create=True) as book:
        add_files(book, [tmp_path / "log.nmea"], options)
    with Logbook.open(tmp_path / "b.db", create=True) as book:
        add_files(book, [day_folder / "p01_front.nmea"], options)
    shutil.copy(tmp_path / "a.db", tmp_path / "a2.db")
    for mine, other in (("a", "b"), ("b", "a2")):
        with Logbook.open(tmp_path / f"{mine}.db") as book:
            merge(book, tmp_path / f"{other}.db")
            kept = {item.size: item for item in rows.recordings(book)}
            assert kept[cut].superseded_by == kept[len(data)].id
            assert content.get(book, kept[cut].content_id) == data[:cut]
            assert len(rows.passes(book)) == 1


def test_targets_and_rules_set_on_both_are_one(two: tuple[Logbook, Logbook]) -> None:
    here, there = two
    for book in two:
        set_target(book, "190 mph", "trap", None, None)
        set_rule(book, "club", window="60 min")
    set_target(there, "200 mph", "gnss", None, None)
    done = merge(here, there.path)
    assert [item.speed_text for item in targets(here)] == ["190 mph", "200 mph"]
    assert len(rules(here)) == 1 and done.conflicts == []
    set_rule(there, "club", window="30 min")
    merge(here, there.path)
    assert rules(here)[0].window_s == 1800


def test_strangers_files_are_refused_and_change_nothing(book: Logbook, tmp_path: Path) -> None:
    state = dump(book)
    with pytest.raises(SpeedlogError, match="is the logbook itself"):
        merge(book, book.path)
    with pytest.raises(SpeedlogError, match="no logbook there"):
        merge(book, tmp_path / "nowhere.db")
    disguised = tmp_path / "disguised.db"
    shutil.copy(book.path, disguised)
    connection = sqlite3.connect(disguised)
    connection.executescript(
        "PRAGMA foreign_keys = OFF; DROP TABLE measured; CREATE VIEW measured AS SELECT 1;"
    )
    connection.close()
    with pytest.raises(SpeedlogError, match="not laid out as a logbook"):
        merge(book, disguised)
    damaged = Path(shutil.copy(book.path, tmp_path / "damaged.db"))
    connection = sqlite3.connect(damaged)
    connection.execute("UPDATE content SET packed = zeroblob(9) WHERE begins IS NULL")
    connection.commit()
    connection.close()
    with Logbook.open(tmp_path / "new.db", create=True) as new:
        with pytest.raises(SpeedlogError, match="are damaged"):
            merge(new, damaged)
        assert rows.recordings(new) == []
    assert dump(book) == state


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE session SET date = 'soon'", 'session "Invented morning" is not as speedlog keeps it'),
        ("UPDATE session SET weather = '[1]'", 'session "Invented morning" is not as speedlog keeps it'),
        ("UPDATE pass SET setup = '[]' WHERE id = 2", "pass 2 is not as speedlog keeps it"),
        ("UPDATE pass SET setup = '{\"tyre\": {}}' WHERE id = 2", "pass 2 is not as speedlog keeps it"),
        ("UPDATE pass SET stated = '{}' WHERE id = 2", "pass 2 is not as speedlog keeps it"),
        ("UPDATE pass SET start_utc = 'x', end_utc = 'y' WHERE id = 1", "pass 1 is not as speedlog keeps it"),
        ("UPDATE pass SET end_utc = NULL WHERE id = 1", "pass 1 is not as speedlog keeps it"),
        (
            "UPDATE course SET content_id = (SELECT content_id FROM recording LIMIT 1)",
            'course "Oldfen runway" is not as speedlog keeps it',
        ),
    ],
)
def test_what_add_never_wrote_is_refused(statement: str, said: str, two: tuple[Logbook, Logbook]) -> None:
    here, there = two
    with there.writing("by hand"):
        there.run(statement)
    state = dump(here)
    with pytest.raises(SpeedlogError, match=said):
        merge(here, there.path)
    assert dump(here) == state


def test_bytes_that_unpack_to_more_than_they_claim_are_never_unpacked(book: Logbook, empty: Logbook) -> None:
    """A bomb: 100 MB of zeros in a few kB. Only as many bytes are made as its row claims, and their hash fails."""
    bomb = lzma.compress(bytes(100_000_000))
    with book.writing("a test"):
        book.run(
            "UPDATE content SET packed = ? WHERE id = (SELECT content_id FROM recording WHERE name = 'p03_rear.csv')",
            (bomb,),
        )
    tracemalloc.start()
    with pytest.raises(SpeedlogError, match="are damaged"):
        merge(empty, book.path)
    assert tracemalloc.get_traced_memory()[1] < 20_000_000
    tracemalloc.stop()


@pytest.mark.usefixtures("blank_review")
def test_a_result_that_is_none_is_made_again(book: Logbook, empty: Logbook) -> None:
    packed = zlib.compress(b'{"passes": 3}')
    with book.writing("a test"):
        book.run("UPDATE result SET review = ? WHERE pass_id = 2", (packed,))
    merge(empty, book.path)
    assert [row.result is None for row in rows.passes(empty)] == [False, True, False]
    assert (
        not sound_review(zlib.compress(bytes(30_000_000))) and not sound_review(b"x") and sound_review(None)
    )


@pytest.mark.parametrize(
    ("mine", "other", "mine_before", "other_before", "wanted"),
    [
        ("a", "a", (), (), "same"),
        ("", None, (), (), "same"),
        ("a", None, (), (), "keep"),
        (None, "b", (), (), "take"),
        (0.0, 0.01, (), (), "conflict"),
        ("a", "b", (), (), "conflict"),
        ("a", "b", ("b",), (), "keep"),  # b is what I had before
        ("a", "b", (), ("a",), "take"),
        (None, "b", ("b",), (), "keep"),  # emptied on purpose
        ("a", None, (), ("a",), "take"),
        (3, 4, (), ("3",), "take"),  # amendments keep numbers as text
        ("a", "b", ("x",), ("y",), "conflict"),
    ],
)
def test_which_value_holds(mine, other, mine_before, other_before, wanted) -> None:
    assert outcome(mine, other, Before(set(mine_before)), Before(set(other_before))) == wanted


def test_there_and_back_again_the_longer_history_holds() -> None:
    # a, then b, then a again here; there it is still at b
    mine, other = Before({"a", "b"}, {"1", "2"}), Before({"a"}, {"1"})
    assert outcome("a", "b", mine, other) == "keep"
    assert outcome("b", "a", other, mine) == "take"
    assert outcome("a", "b", mine, Before({"a"}, {"3"})) == "conflict"


@pytest.mark.usefixtures("blank_review")
def test_a_pass_without_a_log_there_and_with_one_here_is_one_by_its_number(
    day_folder: Path, tmp_path: Path
) -> None:
    """One laptop had only the timekeeper's figures of the session, the other its logs."""
    text = (day_folder / "session.toml").read_text(encoding="utf-8")
    for name in ("with", "without"):
        shutil.copytree(day_folder, tmp_path / name)
    bare = re.sub(r"logs = \[.*\]", "logs = []", text)
    (tmp_path / "without" / "session.toml").write_text(bare, encoding="utf-8")
    (tmp_path / "with" / "session.toml").write_text(
        text.replace('trap = "170.2 mph"\n', ""), encoding="utf-8"
    )
    for name in ("with", "without"):
        with Logbook.open(tmp_path / f"{name}.db", create=True) as book:
            add_session(book, load_session(tmp_path / name / "session.toml"))
    shutil.copy(tmp_path / "with.db", tmp_path / "with2.db")
    for mine, other in (("with", "without"), ("without", "with2")):
        with Logbook.open(tmp_path / f"{mine}.db") as book:
            assert merge(book, tmp_path / f"{other}.db").conflicts == []
            found = rows.passes(book)
            assert [row.trap_text for row in found] == ["160.0 mph", "170.2 mph", None]
            assert [len(rows.recordings(book, row.id)) for row in found] == [2, 2, 1]
