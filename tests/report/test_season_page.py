"""The season page as a reader and a browser get it."""

from __future__ import annotations

import datetime as dt
import json
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from speedlog.logbook.history import Chosen, History, history
from speedlog.logbook.targets import Target
from speedlog.logbook.two_way import Rule
from speedlog.report.plain_chart import Frame, around, nice_step
from speedlog.report.season_page import reports_in, season_page
from tests.logbook.kept import kept
from tests.report.test_page import HOSTILE, VOID, Page

MADE = dt.datetime(2026, 8, 1, tzinfo=dt.UTC)
VOID |= {"use"}


def rows(count: int = 12) -> list:
    made = []
    for k in range(count):
        day = f"2026-07-{1 + k // 4:02d}"
        made.append(
            kept(k + 1, trap=80.0 + 0.1 * k, peak=81.0 + 0.1 * k, estimate=80.0, outbound=k % 2 == 0, number=1 + k % 4,
                 at=f"{day}T10:{k % 4:02d}:00.000000Z", date=day, session=1 + k // 4,
                 trap_text=f"{(80 + 0.1 * k) / 0.44704:.1f} mph")
        )  # fmt: skip
    return made


@pytest.fixture(name="season")
def _season() -> History:
    targets = [Target(1, "trap", "190 mph"), Target(2, "gnss", "180 mph")]
    return history(rows(), targets=targets, rules=[Rule("club record")])


def test_the_page_holds_all_of_the_history(season: History) -> None:
    page = Page(season_page(season, made=MADE))
    assert not page.open  # every element is closed
    text = " ".join(" ".join(page.text).split())
    # 81.1 m/s = 181.4 mph; 82.1 m/s = 183.7 mph; by hand with 0.44704
    assert "Trap PB 181.4 mph" in text and "GNSS PB 183.7 mph" in text
    assert "to go: 8.6 mph (pass 12)" in text and "reached, and 3.7 mph beyond" in text
    assert "within the noise of" in text and "“club record”" in text
    assert len([1 for attrs, _ in page.all("tr") if re.fullmatch(r"p\d+", attrs.get("id") or "")]) == 12
    assert len(page.all("tr", class_="session")) == 3
    for attrs, _ in page.all("a"):
        target = attrs["href"]
        assert target.startswith("#"), "no report is known"
        assert page.all("tr", id=target[1:]) or page.all("section", id=target[1:])


def test_every_pass_is_a_dot_on_each_of_its_ladders(season: History) -> None:
    page = Page(season_page(season, made=MADE))
    uses = [attrs["href"] for attrs, _ in page.all("use") if "x" in attrs]
    assert len(uses) == 24
    assert uses.count("#m-trap-best") == 12 and uses.count("#m-gnss-best") == 12  # each pass a little faster
    dots = json.loads(page.all("script", id="dots")[0][1])
    assert [dot[0] for dot in dots] == list(range(1, 13))
    assert dots[0][4] == [["trap", 80.0, 0.2], ["gnss", 81.0, 0.3]]


def test_a_figure_in_doubt_is_crossed_out_and_makes_no_step() -> None:
    doubt = kept(
        20,
        trap=95.0,
        at="2026-08-01T10:00:00.000000Z",
        date="2026-08-01",
        session=9,
        verdict="trap_figure_doubtful",
    )
    page = Page(season_page(history([*rows(4), doubt]), made=MADE))
    uses = [attrs["href"] for attrs, _ in page.all("use") if "x" in attrs]
    assert uses.count("#m-trap-doubt") == 1 and uses.count("#m-trap-best") == 4
    assert "the logs speak against it" in " ".join(page.text)


def test_places_on_the_axis() -> None:
    """By hand: half way up a frame of 100 px under 14 px of air; a quarter across."""
    frame = Frame(0.0, 8.0, 80.0, 90.0, 100)
    assert frame.y(85.0) == 64.0 and frame.y(90.0) == 14.0 and frame.x(2.0) == 25.0
    assert nice_step(10.0, 7) == 2.0 and nice_step(1.0, 7) == 0.2 and nice_step(34.0, 7) == 5.0
    low, high = around([80.0, 80.0])
    assert low == 79.0 and high == 81.0  # one speed still has an axis


def test_ticks_are_round_in_every_unit(season: History) -> None:
    page = season_page(season, made=MADE)
    for symbol in ("mph", "km/h", "m/s"):
        group = re.search(rf'<g data-for="{symbol}"[^>]*>(<text.*?)</g>', page)
        assert group, symbol
        ticks = [float(text) for text in re.findall(r">(-?[\d.]+)</text>", group[1])]
        steps = {round(b - a, 6) for a, b in pairwise(ticks)}
        assert len(ticks) >= 2 and len(steps) == 1 and steps <= {0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0}


def test_hostile_names_stay_text(season: History) -> None:
    bad = [
        replace(row, session=HOSTILE, venue=HOSTILE, car=HOSTILE, note=HOSTILE, trap_text=None)
        for row in season.rows
    ]
    found = history(
        bad,
        chosen=Chosen(car=HOSTILE),
        targets=[Target(1, "trap", "190 mph", HOSTILE)],
        rules=[Rule(HOSTILE)],
    )
    page = Page(season_page(found, made=MADE))
    assert len(page.all("script")) == 3 and not page.all("img")
    assert "\u202e" not in "".join(page.text)
    json.loads(page.all("script", id="dots")[0][1])


def test_nothing_from_outside(season: History) -> None:
    page = season_page(season, made=MADE)
    assert not re.search(r"(?:src|href)=[\"']?(?:https?:)?//|@import|url\(", page)
    assert "default-src 'none'" in page


def test_links_to_the_reports_that_lie_beside_it(tmp_path: Path, season: History) -> None:
    head = '<!doctype html><meta name="generator" content="speedlog 0.1.0"><title>{}</title>'
    (tmp_path / "day one.html").write_text(head.format("Day 1, 2026-07-01"), "utf-8")
    (tmp_path / "b.html").write_text("<title>Day 2, 2026-07-02</title>", "utf-8")  # not ours
    (tmp_path / "c.html").write_bytes(b"\xff\xfe\x00")
    assert reports_in(tmp_path) == {"Day 1, 2026-07-01": "day%20one.html"}
    named = [replace(row, session=f"Day {row.session_id}") for row in season.rows]
    page = Page(season_page(history(named), made=MADE, beside=tmp_path))
    links = {attrs["href"] for attrs, _ in page.all("a") if not attrs["href"].startswith("#")}
    assert links == {"day%20one.html", *(f"day%20one.html#pass-{number}" for number in (1, 2, 3, 4))}
    assert reports_in(tmp_path / "missing") == {}


def test_nothing_kept_is_said(tmp_path: Path) -> None:
    page = Page(season_page(history([]), made=MADE))
    assert "No pass is kept yet." in " ".join(page.text) and not page.all("figure")


def test_a_target_far_off_does_not_flatten_the_season() -> None:
    near = season_page(history(rows(), targets=[Target(1, "trap", "182 mph")]), made=MADE)
    far = season_page(history(rows(), targets=[Target(1, "trap", "300 mph")]), made=MADE)
    assert near.count('class="goal"') == 2 and far.count('class="goal"') == 1  # the key's own, and the line
