"""The page of passes side by side, as a reader and a browser get it."""

from __future__ import annotations

import datetime as dt
import json
import re

import pytest

from speedlog.logbook.compare import Comparison, Side, comparison
from speedlog.report import compare_words as words
from speedlog.report.compare_page import compare_page
from speedlog.report.numbers import as_text, speed_unit
from tests.logbook.kept import kept
from tests.logbook.test_compare import side
from tests.report.test_page import HOSTILE, Page
from tests.report.test_season_page import VOID

MADE = dt.datetime(2026, 8, 1, tzinfo=dt.UTC)
MPH = speed_unit("mph")
assert "use" in VOID


@pytest.fixture(name="two")
def _two() -> Comparison:
    one = {"tyre": "soft", "current_limit": "280 A"}
    return comparison(
        [side(1, 8.0, one), side(2, 8.4, one | {"current_limit": "320 A"}, outbound=False)], "mph"
    )


def test_the_setup_stands_first_then_figures_launch_curves_marks(two: Comparison) -> None:
    html = compare_page(two, made=MADE)
    page = Page(html)
    assert not page.open
    titles = ["setup-title", "figures-title", "launch-title", "curves-title", "marks-title"]
    places = [html.index(f'id="{title}"') for title in titles]
    assert places == sorted(places)
    text = " ".join(" ".join(page.text).split())
    assert "280 A 320 A" in text and "soft" not in text
    # 4 m/s are 8.9 mph; √0.08 m/s is 0.6 mph
    assert "Pass 2 was 8.9 mph faster than pass 1 by the trap figures." in text
    assert "+8.9 mph ± 0.6 mph" in text.replace("\u00a0", " ")
    ids = [attrs["id"] for _, attrs, _ in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_every_mark_is_a_row_of_the_table(two: Comparison) -> None:
    page = Page(compare_page(two, made=MADE))
    rows = [text for attrs, text in page.all("th", scope="row", class_="r")]
    assert rows == [f"{mark.distance_m:.0f}" for mark in two.marks] and rows[:2] == ["50", "100"]


def test_the_curves_and_the_shading_are_drawn(two: Comparison) -> None:
    page = Page(compare_page(two, made=MADE))
    looks = [attrs.get("class") for attrs, _ in page.all("path")]
    assert looks.count("between c1") == 1 and looks.count("between less") == 1
    told = json.loads(page.all("script", id="spoken")[0][1])
    assert [item["name"] for item in told["passes"]] == ["pass 1", "pass 2"]
    assert len(told["distance"]) == len(told["passes"][1]["speed"]) == len(two.distance_m)


def test_more_than_two(two: Comparison) -> None:
    page = Page(compare_page(comparison([*two.sides, side(3, 7.9)]), made=MADE))
    looks = [attrs.get("class") for attrs, _ in page.all("path")]
    assert looks.count("between c1") == looks.count("between c2") == 1 and "between less" not in looks


def test_a_figure_in_doubt_decides_nothing() -> None:
    bad = kept(2, trap=99.0, estimate=81.0, verdict="trap_figure_doubtful")
    good = kept(1, trap=80.0, estimate=80.0)
    found = comparison([Side(good, None), Side(bad, None)])
    said = as_text(words.headline(found), MPH).replace("\u00a0", " ")
    # 1 m/s is 2.2 mph, √0.18 = 0.42 m/s its noise
    assert said == (
        "Pass 2 was 2.2 mph faster than pass 1 by the loggers' estimates, as a trap figure is in doubt."
    )
    assert as_text(words.cell(found, found.figures[0], 1), MPH).endswith(", in doubt")
    assert not as_text(words.cell(found, found.figures[0], 0), MPH).endswith("doubt")


def test_within_the_noise_is_said() -> None:
    found = comparison([Side(kept(1, trap=80.0), None), Side(kept(2, trap=79.9), None)])
    said = as_text(words.headline(found), MPH).replace("\u00a0", " ")
    assert said == "Pass 2 was 0.2 mph (within the noise) slower than pass 1 by the trap figures."
    none = comparison([Side(kept(1), None), Side(kept(2), None)])
    assert words.headline(none) == "There are no figures that both passes have."
    assert words.changes(none) == words.NO_SETUP


def test_without_curves_the_reason_stands_there() -> None:
    found = comparison([side(1, 8.0), Side(side(2, 8.0).row, None, f"{HOSTILE} can't be read")])
    page = Page(compare_page(found, made=MADE))
    assert not page.all("figure") and "has no speed curve" in " ".join(page.text)
    assert len(page.all("script")) == 3


def test_hostile_names_stay_text() -> None:
    setup = {"tyre": HOSTILE, HOSTILE: HOSTILE}
    found = comparison([side(1, 8.0, setup, session=1, car=HOSTILE, venue=HOSTILE), side(2, 8.0)])
    html = compare_page(found, made=MADE)
    page = Page(html)
    assert len(page.all("script")) == 3 and not page.all("img") and not page.open
    assert not re.search(r"(?:src|href)=[\"']?(?:https?:)?//|@import", html)
