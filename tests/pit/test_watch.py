"""The watched folder: files are taken when they have stopped growing, together and once, come what may of the card."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from speedlog.errors import SpeedlogError
from speedlog.logbook import rows
from speedlog.pit.watch import Watch
from speedlog.settings.pit import PitSettings
from tests.pit.conftest import SAMPLE, Pit, text_of

SETTLE = PitSettings().settle_s


@pytest.fixture
def card(tmp_path: Path) -> Path:
    folder = tmp_path / "card"
    folder.mkdir()
    return folder


def copy(name: str, folder: Path) -> Path:
    return Path(shutil.copy(SAMPLE / name, folder / name))


def test_a_file_is_taken_when_it_has_stopped_growing(two: Pit, card: Path) -> None:
    watch = Watch(card, two.site.keeper)
    data = (SAMPLE / "p04_rear.nmea").read_bytes()
    growing = card / "LOG1.nmea"
    growing.write_bytes(data[:2000])
    watch.look(0.0)
    growing.write_bytes(data)
    watch.look(SETTLE + 0.1)  # grown meanwhile: begins to wait anew
    assert two.count("recording") == 4
    watch.look(2 * SETTLE)
    assert two.count("recording") == 4
    watch.look(2 * SETTLE + 0.2)
    assert two.count("recording") == 5
    watch.look(4 * SETTLE)
    assert two.count("recording") == 5 and "From the watched folder. Kept as pass" in text_of(
        two.client.get("/")
    )


def test_logs_of_one_pass_are_taken_together(two: Pit, card: Path) -> None:
    watch = Watch(card, two.site.keeper)
    inner = card / "DAY1"
    inner.mkdir()
    copy("p02_controller.csv", inner)
    watch.look(0.0)
    copy("p02_front.nmea", card)
    watch.look(SETTLE + 0.1)  # the second has only just come
    assert len(two.passes()) == 2
    watch.look(2 * SETTLE + 0.2)
    new = next(row for row in two.passes() if row.id == 3)
    with two.site.keeper.book() as book:
        assert len(rows.recordings(book, new.id)) == 2


def test_a_controllers_log_waits_for_its_pass(two: Pit, card: Path) -> None:
    watch = Watch(card, two.site.keeper)
    copy("p02_controller.csv", card)
    watch.look(0.0)
    watch.look(SETTLE + 0.1)
    assert len(two.passes()) == 2 and "no pass at speed" in text_of(two.client.get("/")).lower()
    copy("p02_front.nmea", card)
    watch.look(20.0)
    watch.look(20.0 + SETTLE + 0.1)
    with two.site.keeper.book() as book:
        assert len(rows.recordings(book, 3)) == 2


def test_one_bad_file_holds_up_no_other(two: Pit, card: Path) -> None:
    watch = Watch(card, two.site.keeper)
    (card / "notes.txt").write_text("bring the long screwdriver\n")
    (card / "empty.nmea").write_bytes(b"")
    (card / ".hidden.nmea").write_bytes(b"x")
    copy("p04_rear.nmea", card)
    watch.look(0.0)
    watch.look(SETTLE + 0.1)
    assert len(two.passes()) == 3


def test_what_lies_there_at_the_start_and_a_card_put_in_again_are_left_alone(two: Pit, card: Path) -> None:
    copy("p04_rear.nmea", card)
    watch = Watch(card, two.site.keeper)
    away = card.rename(card.with_name("away"))
    watch.look(0.0)
    away.rename(card)
    watch.look(10.0)
    watch.look(10.0 + SETTLE + 0.1)
    assert len(two.passes()) == 2


def test_a_file_is_no_folder(two: Pit, card: Path) -> None:
    with pytest.raises(SpeedlogError, match="not a folder"):
        Watch(copy("p04_rear.nmea", card), two.site.keeper)
    Watch(card / "not yet there", two.site.keeper).look(0.0)  # the reader without a card
