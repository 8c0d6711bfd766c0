"""Fuzzing for seconds, and the tools of the long run: changed logs, blown-up ones, inputs found before."""

from __future__ import annotations

import gzip
import io
import zipfile
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fuzz import large, worker
from tests.fuzz.__main__ import main
from tests.fuzz.check import CHECKS, assert_plain, check_whole
from tests.fuzz.mutate import mutated, resealed
from tests.fuzz.seeds import found_inputs, seeds
from tests.importers.nmea_text import clean_log

NAMES = sorted(CHECKS)


@pytest.fixture(scope="module")
def pools() -> dict[str, list[bytes]]:
    return {name: seeds(name) for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_every_seed_holds(name: str, pools: dict[str, list[bytes]], tmp_path: Path) -> None:
    read = [CHECKS[name](data) for data in pools[name]]
    assert sum(read) >= 4  # seeds that are all refused would show nothing of the reading
    check_whole(pools[name][0], tmp_path)


@pytest.mark.parametrize("name", NAMES)
def test_any_change_is_read_or_refused_in_one_line(name: str, pools: dict[str, list[bytes]]) -> None:
    @settings(max_examples=60, deadline=None)
    @given(st.integers(0, 2**32 - 1))
    def changed(seed: int) -> None:
        random = Random(seed)
        CHECKS[name](
            mutated(name, random.choice(pools[name]), random.choice(pools[name]), random, worker.LONGEST)
        )

    changed()


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=60, deadline=None)
@given(data=st.binary(max_size=400))
def test_any_bytes_are_read_or_refused_in_one_line(name: str, data: bytes) -> None:
    CHECKS[name](data)


@pytest.mark.parametrize("name", NAMES)
def test_what_was_found_once_stays_put_right(name: str, tmp_path: Path) -> None:
    for data in [*found_inputs(name), b""]:
        CHECKS[name](data)
        check_whole(data, tmp_path)


def test_sentences_are_given_their_right_checksums() -> None:
    log = clean_log(3)
    wrong = log.replace(b"*", b"*0")  # a digit too many: cut off again by the pattern
    assert resealed(log) == log
    assert resealed(log.replace(b"5306", b"5307")) != log.replace(b"5306", b"5307")
    assert resealed(wrong) != log


def test_archives_are_changed_inside_and_packed_again() -> None:
    log, kinds = clean_log(3), set()
    for seed in range(40):
        new = mutated("packed", gzip.compress(log, mtime=0), log, Random(seed), 1 << 16)
        if new.startswith(b"PK") and zipfile.is_zipfile(io.BytesIO(new)):
            kinds.add("zip")
        elif new.startswith(b"\x1f\x8b"):
            kinds.add("gzip")
    assert kinds == {"zip", "gzip"}


@pytest.mark.parametrize("way", large.WAYS)
def test_inputs_are_blown_up_to_their_size(way: str) -> None:
    size = 200_000
    found = large.blown_up(clean_log(5), way, Random(1), size)
    assert 0.4 * size < len(found) < 1.2 * size  # a number of two bytes a digit's place: half at the least


def test_costs_are_taken_in_a_process_of_its_own() -> None:
    cost = large.cost_of("nmea", clean_log(5), "again")
    assert cost.way == "again" and not cost.failure and cost.seconds > 0
    assert large.Cost("x", 2.1, 1.0).too_much and large.Cost("x", 1.0, 1025.0).too_much
    assert large.Cost("x", 0.0, 0.0, "it died").too_much and not large.Cost("x", 2.0, 1024.0).too_much


@pytest.mark.parametrize("text", ["two\nlines", "a\x1b[31m", "x" * 2000, "a\u2028b"])
def test_what_is_no_plain_line_is_noticed(text: str) -> None:
    with pytest.raises(AssertionError):
        assert_plain(text)


def test_the_tally_goes_on_where_it_stopped(tmp_path: Path) -> None:
    first = worker.Tally(tmp_path)
    first.count(True)
    first.count(False)
    try:
        raise ValueError("a\nb")
    except ValueError as problem:
        first.keep(tmp_path, worker.place_of(problem), b"bad")
        first.keep(tmp_path, worker.place_of(problem), b"bad again")
    second = worker.Tally(tmp_path)
    second.count(None)
    assert (second.numbers["inputs"], second.numbers["read"], second.numbers["refused"]) == (3, 1, 1)
    assert list(second.numbers["found"].values()) == [2]
    assert (tmp_path / "001").read_bytes() == b"bad"


def test_a_finished_run_says_so_and_what_it_counted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "gpx"
    folder.mkdir()
    tally = worker.Tally(folder)
    for _ in range(3):
        tally.count(True)
    tally.write()
    assert main(["gpx", "--inputs", "3", "--corpus", str(tmp_path), "--large", "1"]) == 0
    said = capsys.readouterr().out
    assert "all done already" in said and "gpx: 3 inputs" in said and "0 kinds of trouble" in said
    assert "1 of 10 MB: slowest" in said
