"""What `history` shows, of rows and of a logbook's file; its JSON against the schema in the package."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

import speedlog
from speedlog.errors import SpeedlogError
from speedlog.logbook.history import Chosen, History, history, read_history
from speedlog.logbook.rules import drop_rule, rule_named, rules, set_rule
from speedlog.logbook.store import Logbook
from speedlog.logbook.targets import Target, drop_target, set_target, targets
from speedlog.logbook.two_way import Rule
from tests.logbook.kept import keep_rows, kept

SCHEMA = json.loads((Path(speedlog.__file__).parent / "history.schema.json").read_text("utf-8"))
ROWS = [
    kept(1, trap=80.0, peak=81.0, estimate=80.1, at="2026-05-03T10:00:00.000000Z", date="2026-05-03", session=1,
         trap_text="179.0 mph", setup={"tyre": "soft", "current_limit": "280 A"}),
    kept(2, trap=82.0, peak=82.5, estimate=82.1, at="2026-05-03T10:20:00.000000Z", date="2026-05-03", session=1,
         outbound=False, trap_text="183.4 mph", setup={"tyre": "hard", "current_limit": "280 A"}),
    kept(3, trap=95.0, peak=82.9, estimate=82.8, at="2026-07-12T11:00:00.000000Z", session=2,
         verdict="trap_figure_doubtful", car="Other", trap_text="342 km/h", setup={"tyre": "hard"}),
    replace(kept(4, trap_text="170 mph", at=None, session=2, car="Other"), result=None),
]  # fmt: skip


def validated(found: History) -> dict:
    told = found.as_json()
    jsonschema.Draft202012Validator(SCHEMA).validate(told)
    return json.loads(json.dumps(told, allow_nan=False))


@pytest.fixture
def season(empty: Logbook) -> Logbook:
    keep_rows(empty, ROWS)
    return empty


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_all_of_a_season() -> None:
    found = history(
        ROWS,
        targets=[Target(1, "trap", "190 mph"), Target(2, "gnss", "85 m/s", car="other")],
        rules=[Rule("club")],
    )
    told = validated(found)
    assert [item["pass"] for item in told["passes"]] == [1, 2, 3, 4]
    assert [(item["trap_pb"], item["gnss_pb"]) for item in told["passes"]] == [
        (True, True), (True, True), (False, True), (False, False),
    ]  # fmt: skip
    assert told["unit"] == "mph"  # three of four figures
    assert told["ladders"]["trap"]["best_pass"] == 2 and told["ladders"]["trap"]["doubted"][0]["pass"] == 3
    assert told["two_way"][0]["steps"][0]["passes"] == [1, 2]
    # 190 mph is 84.94 m/s, 82 m/s is 183.43 mph: 6.57 mph
    assert told["targets"][0]["to_go_text"] == "6.6 mph"
    assert told["targets"][1]["best_passes"] == [3] and told["targets"][1]["to_go_text"] == "2.1 m/s"
    assert [(item["name"], item["passes"]) for item in told["by_car"]] == [("Other", 2), ("Car", 2)]
    assert told["agreement"][0]["enough"] is False
    assert told["passes"][3]["official_mps"] == pytest.approx(170 * 0.44704)


def test_nothing_kept() -> None:
    found = history([])
    assert validated(found)["passes"] == [] and found.unit == "km/h" and not found.rule_set


def test_a_part_of_it_and_targets_of_the_whole(season: Logbook) -> None:
    set_target(season, "84 m/s")
    found = read_history(season, Chosen(setup={"tyre": "soft"}))
    assert [row.id for row in found.rows] == [1]
    assert found.targets[0].passes == (2,)  # the best there is, chosen or not
    assert validated(found)["chosen"]["setup"] == {"tyre": "soft"}
    assert [row.id for row in read_history(season, Chosen(since="2026-06-01")).rows] == [3, 4]
    assert [row.id for row in read_history(season, Chosen(car="Car", venue="Field")).rows] == [1, 2]
    assert [row.id for row in read_history(season).rows] == [1, 2, 3, 4]


def test_targets_are_set_listed_and_dropped(season: Logbook) -> None:
    one = set_target(season, " 190 mph ")
    assert set_target(season, "190 mph") == one  # the same again is the one that stands
    two = set_target(season, "90 m/s", "two_way", car="Car", venue="Field")
    assert targets(season) == (one, two) and one.speed_text == "190 mph"
    drop_target(season, one.id)
    assert targets(season) == (two,)
    with pytest.raises(SpeedlogError, match=f"no target {one.id}"):
        drop_target(season, one.id)
    assert set_target(season, "190 mph").id not in (one.id, two.id)
    for text in ("190", "0 mph", "fast", "190 kg"):
        with pytest.raises(SpeedlogError):
            set_target(season, text)


def test_rules_are_set_changed_and_dropped(season: Logbook) -> None:
    made = set_rule(season, "club record", window="90 min", mean="speeds", least_gain="1 %")
    assert made == Rule("club record", 5400.0, "speeds", 0.01) and rules(season) == (made,)
    changed = set_rule(season, "club record", least_gain="0.5 %")
    assert changed == Rule("club record", 5400.0, "speeds", 0.005)
    assert rule_named(season, "CLUB record") == changed
    drop_rule(season, "club record")
    assert rules(season) == () and read_history(season).rule_set is False
    with pytest.raises(SpeedlogError, match="none is set yet"):
        rule_named(season, "club record")
    # set again it begins anew: nothing of what was dropped is carried over unseen
    assert set_rule(season, "club record") == Rule("club record")
    assert [item.rule.name for item in read_history(season).two_way] == ["club record"]


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ({"window": "an hour"}, "not a number with a unit"),
        ({"window": "0 min"}, "above zero"),
        ({"mean": "median"}, "Take times or speeds"),
        ({"least_gain": "100 %"}, "between 0 % and 100 %"),
        ({"least_gain": "-1 %"}, "between 0 % and 100 %"),
    ],
)
def test_a_rule_that_says_nothing_of_use(season: Logbook, more: dict[str, str], told: str) -> None:
    with pytest.raises(SpeedlogError, match=told):
        set_rule(season, "club", **more)
    assert rules(season) == ()


def test_changes_of_targets_and_rules_leave_their_trace(season: Logbook) -> None:
    drop_target(season, set_target(season, "190 mph").id)
    set_rule(season, "club")
    set_rule(season, "club", window="30 min")
    noted = season.rows("SELECT what, field, old, new FROM amendment ORDER BY id")
    assert [(row["what"], row["field"]) for row in noted] == [("target", "dropped_at"), ("rule", "window_s")]
    assert float(noted[1]["old"]) == 3600.0 and float(noted[1]["new"]) == 1800.0


def test_an_agreement_goes_into_json() -> None:
    """What arrays made must be plain numbers there."""
    rows = [
        kept(
            k + 1,
            trap=84.3 + 0.01 * k,
            estimate=84.0,
            outbound=k < 6,
            session=k % 4,
            trap_accel_mps2=2.0 + k % 3,
        )
        for k in range(12)
    ]
    (told,) = validated(history(rows))["agreement"]
    assert told["enough"] and [item["term"] for item in told["beyond_chance"]] == ["scale"]
    assert [item["outbound"] for item in told["directions"]] == [True, False]
