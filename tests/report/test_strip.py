"""What limited the car, under the speed chart: a row a limit with its name, for the eye, the keyboard and the ear.

The invented passes run from 0 m to the fastest moment, 35 m past the trap's 520 m (`conftest.drive`).
"""

from __future__ import annotations

import re
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from speedlog.report import strip
from speedlog.report.chart_words import limits
from speedlog.report.charts import SPEED_PX, charts
from speedlog.report.day_chart import still
from speedlog.report.numbers import speed_unit
from speedlog.report.page import review_page
from speedlog.results_car import CarPass, Heat, Left, Stretch
from speedlog.settings import ReportSettings

SETTINGS = ReportSettings()
OUT = (Stretch(0.0, 2.0, 0.0, 1.0, "ramp"), Stretch(2.0, 150.0, 1.0, 6.0, "traction"),
       Stretch(150.0, 540.0, 6.0, 11.5, "current limit"))  # fmt: skip
BACK = tuple(
    replace(item, start_along_m=1070 - item.start_along_m, end_along_m=1070 - item.end_along_m)
    for item in OUT
)

NO_CURRENT = {"stretches": "no current was logged: what limited the car can't be told"}


def driven(found, stretches=OUT, file="controller.csv", why=MappingProxyType({})):
    return replace(found, car=CarPass(1, heat=Heat(file=file), left=Left(stretches=stretches, why_not=why)))


def speed_figure(found):
    return charts(found, "p", SETTINGS)[0].figure


def strip_bars(figure):
    return [trace for trace in figure["data"] if trace.get("yaxis") == "y3"]


def strip_words(figure):
    return [note for note in figure["layout"]["annotations"] if note.get("yref") == "y3"]


def test_a_row_a_limit_in_the_order_in_which_they_set_in() -> None:
    again = (*OUT, Stretch(540.0, 560.0, 11.5, 12.0, "traction"))
    rows = strip.strip_rows(
        type("Driven", (), {"car": CarPass(1, left=Left(stretches=again)), "trace": None})()
    )
    assert [row.limit for row in rows] == ["ramp", "traction", "current limit"]
    # by hand: 5.0 s and 0.5 s of traction
    assert [row.words for row in rows] == [
        "ramp, 1.0\u00a0s",
        "traction, 5.5\u00a0s",
        "current limit, 5.5\u00a0s",
    ]
    assert strip.height_px(rows) == strip.HEAD_PX + 3 * strip.ROW_PX and strip.height_px(()) == 0


def test_bars_stand_under_the_speed_they_limited_each_with_its_name(invented) -> None:
    figure = speed_figure(driven(invented.agreeing()))
    bars = strip_bars(figure)
    assert [(bar["base"], bar["x"], bar["y"]) for bar in bars[1:]] == [
        ([2.0], [148.0], [1]),
        ([150.0], [390.0], [2]),
    ]
    assert bars[0]["base"] == [0.0] and bars[0]["x"][0] > 2.0  # two metres would not be seen
    assert [note["text"].split(",")[0] for note in strip_words(figure)] == [
        "ramp",
        "traction",
        "current limit",
    ]
    layout = figure["layout"]
    whole = layout["height"] - 74
    assert layout["yaxis"]["domain"] == [pytest.approx(1 - SPEED_PX / whole), 1]
    assert layout["yaxis3"]["domain"][1] < layout["yaxis"]["domain"][0]
    assert any(note["text"] == strip.HEADING for note in layout["annotations"])


def test_the_way_back_begins_on_the_left_too(invented) -> None:
    found = driven(invented.ceiling(), BACK)
    bars = strip_bars(speed_figure(found))
    assert (bars[1]["base"], bars[1]["x"]) == ([920.0], [148.0])
    assert (
        bars[0]["base"][0] + bars[0]["x"][0] == 1070.0
    )  # the short one grows into the run, not behind the launch
    words = strip_words(speed_figure(found))
    assert [note["xanchor"] for note in words[:2]] == ["left", "left"]
    assert words[1]["x"] == pytest.approx(920.0)  # beside its end


@pytest.mark.parametrize(
    ("ends", "side"),
    [((0.1, 0.609), "right"), ((0.1, 0.611), "inside"), ((0.391, 0.9), "left"), ((0.389, 0.9), "inside")],
)
def test_a_name_stands_where_it_finds_room(ends: tuple[float, float], side: str) -> None:
    """Both sides of `strip_room`: twenty characters take 20 × 0.0195 = 0.39 of the width."""
    assert strip.side_of(*ends, "current limit, 4.9 s", SETTINGS) == side


def test_without_current_it_says_so_over_the_whole_run_up(invented) -> None:
    found = driven(invented.agreeing(), (), why=NO_CURRENT)
    (bar,) = strip_bars(speed_figure(found))
    top = float(found.trace.along_m[np.argmax(found.trace.speed_mps)])
    assert bar["base"][0] + bar["x"][0] == pytest.approx(top, abs=0.1)
    assert bar["marker"]["color"] == "@paper"  # hollow
    (words,) = [note["text"] for note in strip_words(speed_figure(found))]
    assert words.startswith("can't be told, ")
    assert "can't be told: no current was logged" in charts(found, "p", SETTINGS)[0].caption
    assert strip_bars(speed_figure(driven(found, (), None, NO_CURRENT))) == []  # no controller's log


def test_nothing_is_drawn_where_nothing_is_known_of_the_car(invented) -> None:
    plain = speed_figure(invented.agreeing())
    assert strip_bars(plain) == [] and "yaxis3" not in plain["layout"]
    assert "What limited" not in charts(invented.agreeing(), "p", SETTINGS)[0].caption


def test_the_finding_in_words() -> None:
    assert limits(OUT).replace("\u00a0", " ") == (
        "What limited the car in the run-up, by the fit to its log: the ramp for 1.0 s, to 2 m; traction for 5.0 s, "
        "to 150 m; the current limit for 5.5 s, to 540 m."
    )
    assert limits(()) == ""
    # by hand: four stretches of 1 s of the one, three of 2 s of the other
    many = [Stretch(0, 0, k * 3, k * 3 + 1, "voltage") for k in range(4)]
    many += [Stretch(0, 0, k * 3 + 1, k * 3 + 3, "traction") for k in range(3)]
    assert (
        limits(many)
        .replace("\u00a0", " ")
        .endswith(": traction for 6.0 s in 3 stretches; voltage (gearing) for 4.0 s in 4 stretches.")
    )


def test_every_limit_has_words_and_a_colour_of_its_own() -> None:
    from typing import get_args

    from speedlog.report.chart_words import LIMITS
    from speedlog.results_car import Limit

    assert set(strip.LOOKS) == set(LIMITS) == set(get_args(Limit))
    assert len(set(strip.LOOKS.values())) == len(strip.LOOKS)


@pytest.mark.parametrize(("kind", "stretches"), [("agreeing", OUT), ("ceiling", BACK)])
def test_the_still_chart_has_it_before_any_script_runs(invented, kind: str, stretches) -> None:
    found = driven(getattr(invented, kind)(), stretches)
    figure = speed_figure(found)
    drawn = still(found, speed_unit("mph"), figure["layout"]["height"], SETTINGS)
    for words in (strip.HEADING, "ramp, 1.0\u00a0s", "traction, 5.0\u00a0s", "current limit, 5.5\u00a0s"):
        assert f">{words}</text>" in drawn.area
    bars = re.findall(
        r'<rect x="([\d.]+)%" y="(\d+)" width="([\d.]+)%" height="10" class="fault f-(\w+)"', drawn.area
    )
    assert [bar[3] for bar in bars] == ["green", "orange", "blue"]
    assert float(bars[1][0]) + float(bars[1][2]) == pytest.approx(
        float(bars[2][0]), abs=0.01
    )  # one after the other
    tops = [int(bar[1]) for bar in bars]
    assert tops == sorted(tops) and tops[0] > 26 + SPEED_PX and tops[-1] + 10 < drawn.height_px


def test_the_page_tells_it_and_the_arrow_keys_find_it(invented) -> None:
    found = driven(invented.agreeing())
    page = review_page(invented.review_of(found), made=invented.MADE)
    caption = re.search(r'<figcaption id="pass-1-speed-said">(.*?)</figcaption>', page, re.DOTALL)[1]
    assert "traction for 5.0\u00a0s, to 150\u00a0m" in caption
    hints = [bar["hovertemplate"] for bar in strip_bars(speed_figure(found))]
    assert hints[1].startswith("limited by traction") and all("%{x" not in hint for hint in hints)
