"""The day's small charts: one scale, left to right, faults where they happened."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from speedlog.report.day_chart import day_chart, run_of
from speedlog.report.numbers import as_text, speed_unit
from speedlog.settings import ReportSettings

MPH = speed_unit("mph")
SETTINGS = ReportSettings()


def made(*passes, settings=SETTINGS):
    titles = [f"Pass {place}" for place in range(1, len(passes) + 1)]
    return day_chart(passes, titles, MPH, settings)


def curve(area: str) -> list[tuple[float, float]]:
    found = re.search(r'<path d="M([^"]*)" class="run"', area)
    assert found
    return [tuple(float(part) for part in point.split()) for point in found[1].split("L")]


def test_one_pass_is_nothing_to_set_side_by_side(invented) -> None:
    assert made(invented.agreeing()) is None
    assert made(invented.agreeing(), None, replace(invented.missed(), trace=None)) is None
    assert made(invented.agreeing(), invented.missed()) is not None


def test_a_pass_that_was_not_reviewed_keeps_its_place(invented) -> None:
    chart = made(invented.agreeing(), None, invented.missed())
    assert [panel is None for panel in chart.panels] == [False, True, False]


def test_places_are_counted_from_the_first_beam_in_the_way_of_travel(invented) -> None:
    out, back = run_of(invented.agreeing(), 200), run_of(invented.ceiling(), 200)
    assert out.place(520.0) == 0.0 and out.place(550.0) == 30.0  # the course's trap, driven outbound
    assert back.place(550.0) == 0.0 and back.place(520.0) == 30.0
    assert out.at_m[0] < 0 < out.at_m[-1] and back.at_m[0] < 0 < back.at_m[-1]


def test_all_run_left_to_right_on_one_scale_and_the_fastest_is_the_thin_line(invented) -> None:
    passes = [invented.agreeing(), invented.ceiling(), invented.missed()]  # 82.0, 85.0, 83.4 m/s at the trap
    chart = made(*passes)
    assert chart.best_at == 1 and "Thin: pass 2, the fastest." in chart.caption
    tops = []
    for place, panel in enumerate(chart.panels):
        points = curve(panel.area)
        across = [point[0] for point in points]
        assert across == sorted(across)
        assert ('href="#day-best"' in panel.area) == (place != 1)
        tops.append(min(point[1] for point in points))
    assert tops[1] < tops[2] < tops[0]  # the faster, the higher in its panel


def test_faults_are_blocks_where_they_happened_and_those_near_the_trap_tint_the_curve(invented) -> None:
    found = replace(invented.missed(), number=1)
    panel = made(found, invented.agreeing()).panels[0]
    blocks = re.findall(
        r'<rect x="([\d.]+)%" y="\d+" width="([\d.]+)%" height="7" class="fault f-(\w+)"', panel.area
    )
    assert [look for *_, look in blocks] == ["ink", "orange"]
    assert panel.area.count('class="tint"') == 2
    # the gap is 61 m, the weak fix 74 m long: their widths stand in that ratio
    assert float(blocks[1][1]) / float(blocks[0][1]) == pytest.approx(74 / 61, rel=0.01)
    assert float(blocks[1][0]) == pytest.approx(float(blocks[0][0]) + float(blocks[0][1]), abs=0.02)


def test_what_a_panel_shows_is_said(invented) -> None:
    chart = made(invented.missed(), invented.doubtful())
    near, far = (as_text(panel.said, MPH) for panel in chart.panels)
    assert "A: no epochs near the trap, 505 m to 566 m." in near and near.startswith("Fastest moment: ")
    assert "4 faults away from the trap." in far  # five, of which the dead reckoning is near


def test_a_curve_has_no_more_points_than_the_setting(invented) -> None:
    passes = invented.agreeing(), invented.missed()
    few = made(*passes, settings=replace(SETTINGS, panel_points=40))
    assert len(curve(few.panels[0].area)) <= 42 < len(curve(made(*passes).panels[0].area)) <= 122


def test_passes_without_a_course_are_set_side_by_side_from_their_start(invented) -> None:
    chart = made(invented.no_course(), invented.no_course())
    assert "trap" not in chart.caption and 'class="beams"' not in chart.panels[0].area
    assert run_of(invented.no_course(), 100).at_m[0] == 0.0
