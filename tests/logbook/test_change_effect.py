"""`history --effect`: passes dealt to their sides, what was left out, and the statistics against scipy."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from scipy.stats import ttest_ind

import speedlog
from speedlog.errors import SpeedlogError
from speedlog.logbook.change_effect import read_effects, read_trends
from speedlog.logbook.history import read_history
from speedlog.logbook.results import Made, store
from speedlog.logbook.rows import PassRow, passes
from speedlog.logbook.store import Logbook
from speedlog.report import effect_words
from tests.logbook.kept import keep_rows, kept

SCHEMA = json.loads((Path(speedlog.__file__).parent / "history.schema.json").read_text("utf-8"))
SOFT, HARD = [82.0, 82.6, 81.7, 82.2], [84.1, 83.5, 84.6, 84.4]
SAG = [1.0, 1.1, 0.9, 1.05]


def quantity(value: float, half: float) -> dict[str, Any]:
    return {"value": value, "interval95": [value - half, value + half]}


def car(speed: float | None, sag: float | None = None) -> dict[str, Any]:
    """What a kept review says of the car, as far as the effect reads it."""
    nothing: dict[str, Any] = {"why_not": {"": "not told"}}
    return {
        "still_air": {"equivalent_mps": None, "why_not": {"equivalent_mps": "No wind was noted."}} if speed is None
        else {"equivalent_mps": quantity(speed, 0.02), "why_not": {}},
        "heat": {"squared_logged_a2s": None} | nothing,
        "pack": {"sag_v": None if sag is None else quantity(sag, 0.01), "energy_wh": None} | nothing,
        "thermal": {"rise_k": None} | nothing,
    }  # fmt: skip


def keep(book: Logbook, told: list[tuple[PassRow, dict[str, Any] | None]]) -> None:
    keep_rows(book, [row for row, _ in told])
    with book.writing("a test"):
        for row, found in told:
            assert row.result is not None
            store(book, row.id, Made(row.result, {"passes": [{"car": found}]}))


@pytest.fixture
def book(tmp_path: Path):
    told = []
    for k in range(4):  # soft and hard in turn, as one would test it
        told.append((kept(2 * k + 1, trap=80.0, setup={"tyre": "soft"}, at=f"2026-07-12T1{k}:00:00.0Z"),
                     car(SOFT[k], SAG[k])))  # fmt: skip
        told.append(
            (kept(2 * k + 2, trap=80.0, setup={"tyre": "hard"}, at=f"2026-07-12T1{k}:30:00.0Z"), car(HARD[k]))
        )
    with Logbook.open(tmp_path / "season.db", create=True) as book:
        keep(book, told)
        yield book


def test_welch_of_the_sides_is_scipy_s(book: Logbook) -> None:
    (found,) = read_effects(book, passes(book), "tyre")
    assert (found.before, found.after) == ("soft", "hard")
    assert (found.passes_before, found.passes_after) == ((1, 3, 5, 7), (2, 4, 6, 8))
    assert found.also == () and found.left_out == ()
    (speed,) = found.effects  # a sag of one side alone is no comparison
    wanted = ttest_ind(HARD, SOFT, equal_var=False)
    assert speed.figure == "speed" and speed.difference is not None
    assert speed.t == pytest.approx(wanted.statistic, rel=1e-9)
    assert speed.p_value == pytest.approx(wanted.pvalue, rel=1e-9)
    low, high = wanted.confidence_interval(0.95)
    assert speed.difference.interval95 == pytest.approx((low, high), rel=1e-9)
    # by hand: every hard pass is faster, so the smallest that four against four can give, 2/70
    assert speed.permutation_p == pytest.approx(2 / 70)


def test_what_could_not_be_used_and_what_else_was_changed(tmp_path: Path) -> None:
    hard = {"tyre": "hard", "wheel_diameter": "90 mm"}
    told = [
        (kept(1, trap=80.0, setup={"tyre": "soft", "wheel_diameter": "88 mm"}), car(82.0)),
        (kept(2, trap=80.0, setup={"tyre": "soft", "wheel_diameter": "8.8 cm"}), car(None)),
        (kept(3, trap=80.0, setup=hard), car(84.0)),
        (kept(4, trap=80.0, setup=hard, verdict="trap_figure_doubtful"), car(99.0)),
        (kept(5, trap=80.0, setup=hard), None),
        (kept(6, trap=80.0, setup={"wheel_diameter": "90 mm"}), car(70.0)),  # does not say
    ]  # fmt: skip
    with Logbook.open(tmp_path / "season.db", create=True) as book:
        keep(book, told)
        (found,) = read_effects(book, passes(book), "tyre")
    assert found.also == ("wheel_diameter",)
    assert [line.split(":")[0] for line in found.left_out] == ["pass 2", "pass 4", "pass 5"]
    assert "No wind was noted." in found.left_out[0] and "in doubt" in found.left_out[1]
    assert found.effects[0].difference is None and found.effects[0].mean_after == 84.0
    said = " ".join(effect_words.notes(found))
    assert "wheel diameter" in said and "Left out of the speed: pass 5" in said


def test_another_trap_widens_the_interval(book: Logbook, tmp_path: Path) -> None:
    """Each tape is off by 20 mm of 30 m: 80 m/s times that, twice in squares."""
    (same,) = read_effects(book, passes(book), "tyre")
    moved = []
    for k in range(8):
        hard = k % 2 == 1
        where = {"venue": "Strip", "session": 2, "date": "2026-07-13"} if hard else {}
        row = kept(k + 1, trap=80.0, setup={"tyre": "hard" if hard else "soft"}, **where)
        moved.append((row, car((HARD if hard else SOFT)[k // 2])))
    with Logbook.open(tmp_path / "two.db", create=True) as other:
        keep(other, moved)
        (found,) = read_effects(other, passes(other), "tyre")
    one, two = same.effects[0].difference, found.effects[0].difference
    assert one is not None and two is not None
    widened = ((two.high - two.low) / 2) ** 2 - ((one.high - one.low) / 2) ** 2
    assert widened == pytest.approx((1.96 * 80.0 * 0.02 / 30.0) ** 2 * 2, rel=1e-6)


def test_a_number_changed_in_steps_has_a_line(tmp_path: Path) -> None:
    """By hand: 80, 81, 82 m/s at 100, 120, 140 A are 0.5 m/s for 10 A; the pass without a number is left out."""
    told = [
        (kept(1, trap=80.0, setup={"current_limit": "100 A", "tyre": "soft"}), car(80.0)),
        (kept(2, trap=80.0, setup={"current_limit": "120000 mA", "tyre": "soft"}), car(81.0, 1.0)),
        (kept(3, trap=80.0, setup={"current_limit": "140 A", "tyre": "hard"}), car(82.0, 1.2)),
        (kept(4, trap=80.0, setup={"tyre": "hard"}), car(90.0)),
    ]
    with Logbook.open(tmp_path / "season.db", create=True) as book:
        keep(book, told)
        (line,) = read_trends(book, passes(book), "current_limit")
        assert read_trends(book, passes(book), "tyre") == ()  # no number
        found = read_history(book, effect="current_limit").as_json()
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(json.dumps(found, allow_nan=False)))
    (speed,) = line.trends  # a sag of two passes is no line
    assert (line.step, line.passes, line.also) == ("10 A", (1, 2, 3), ("tyre",))
    assert speed.slope.value == pytest.approx(0.5) and speed.passes == 3


def test_keys_that_say_nothing(book: Logbook) -> None:
    with pytest.raises(SpeedlogError, match='Did you mean "tyre"'):
        read_effects(book, passes(book), "tire")
    with pytest.raises(SpeedlogError, match='"ramp" was not changed in these passes'):
        read_effects(book, passes(book), "ramp")


def test_in_the_history_s_json(book: Logbook) -> None:
    told = read_history(book, effect="tyre").as_json()
    jsonschema.Draft202012Validator(SCHEMA).validate(told)
    assert json.loads(json.dumps(told, allow_nan=False))["effects"][0]["key"] == "tyre"
    plain = read_history(book).as_json()
    jsonschema.Draft202012Validator(SCHEMA).validate(plain)
    assert plain["effects"] is None
