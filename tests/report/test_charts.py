"""The figures of a pass: what is drawn where. Expected places are the conftest's own numbers."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from speedlog.report.channels import _round_step
from speedlog.report.charts import FAULT_LOOKS, charts
from speedlog.report.curves import broken, chart_text, corners, extent, letter, rounded, safe_json, thin
from speedlog.report.wording import FAULTS
from speedlog.settings import ReportSettings

SETTINGS = ReportSettings()


def made(found):
    return {chart.key.removeprefix("p-"): chart for chart in charts(found, "p", SETTINGS)}


def test_each_chart_comes_only_when_there_is_something_to_draw(invented) -> None:
    assert list(made(invented.agreeing())) == ["speed", "trap", "path", "signal", "power"]
    assert list(made(invented.slow())) == ["speed", "trap", "path"]  # no channels in this log
    assert list(made(invented.no_course())) == ["speed", "path", "signal"]
    assert made(replace(invented.agreeing(), trace=None)) == {}


@pytest.mark.parametrize("kind", ["agreeing", "ceiling"])
def test_the_car_runs_from_left_to_right(invented, kind: str) -> None:
    for chart in made(getattr(invented, kind)()).values():
        low, high = chart.figure["layout"]["xaxis"]["range"]
        assert (low < high) == (kind == "agreeing")  # the return pass falls along the line


def test_the_official_figure_lies_across_the_trap_with_its_interval(invented) -> None:
    found = invented.doubtful()
    shapes = made(found)["speed"].figure["layout"]["shapes"]
    (block,) = [item for item in shapes if item["type"] == "rect" and item.get("yref") == "y"]
    assert (block["x0"], block["x1"]) == (520.0, 550.0)
    assert (block["y0"], block["y1"]) == found.trap.official.interval95_mps
    (line,) = [item for item in shapes if item["type"] == "line"]
    assert line["y0"] == line["y1"] == pytest.approx(168.4 * 0.44704)


def test_faults_are_barred_where_they_happened_and_tinted_behind_the_curve(invented) -> None:
    figure = made(invented.missed())["speed"].figure
    bars = [trace for trace in figure["data"] if trace["type"] == "bar"]
    assert [(bar["base"], bar["x"]) for bar in bars] == [([505], [61]), ([566], [74])]
    assert "505 m to 566 m" in bars[0]["hovertemplate"]
    tints = [item for item in figure["layout"]["shapes"] if item.get("opacity") == 0.1]
    assert [(item["x0"], item["x1"]) for item in tints] == [(505, 566), (566, 640)]


def test_a_fault_without_a_place_is_told_and_not_drawn(invented) -> None:
    chart = made(invented.doubtful())["speed"]
    assert len([trace for trace in chart.figure["data"] if trace["type"] == "bar"]) == 4
    assert "4 faults marked below the curve, 1 near the trap. 1 fault without a known place" in chart.caption


def test_words_of_faults_keep_their_distance_on_both_sides_of_the_setting(invented) -> None:
    def words(gap: float) -> list[str]:
        found = charts(invented.doubtful(), "p", replace(SETTINGS, label_gap=gap))
        notes = found[0].figure["layout"]["annotations"]
        return sorted(item["text"] for item in notes if item.get("yref") == "y2")

    assert words(0.01) == ["clock step", "dead reckoned", "frozen values", "stray reading"]
    assert words(0.9) == ["dead reckoned"]  # the one near the trap comes first


def test_every_kind_of_fault_has_words_a_colour_and_a_hatching_of_its_own() -> None:
    assert set(FAULT_LOOKS) == set(FAULTS)
    assert len({hatch for _, hatch in FAULT_LOOKS.values()}) == len(FAULTS)
    assert len({colour for colour, _ in FAULT_LOOKS.values()}) == len(FAULTS)


def test_the_zoom_borrows_the_curves_and_looks_at_both_sides_of_the_trap(invented) -> None:
    both = made(invented.agreeing())
    zoom, speed = both["trap"].figure, both["speed"].figure
    assert zoom["borrow"] == "p-speed" and "data" not in zoom
    assert zoom["layout"]["xaxis"]["range"] == [480.0, 590.0]  # 40 m, the setting, on each side
    assert all(trace["type"] == "scatter" for trace in speed["data"][: zoom["curves"]])
    wide = charts(invented.agreeing(), "p", replace(SETTINGS, zoom_m=10.0))[1].figure
    assert wide["layout"]["xaxis"]["range"] == [490.0, 580.0]  # never less than the trap's own length


def test_readings_left_out_are_hollow(invented) -> None:
    marks = [
        t.get("marker", {}).get("symbol")
        for t in made(invented.ceiling())["speed"].figure["data"]
        if t["type"] == "scatter"
    ]
    assert {"circle", "circle-open", "square"} <= set(marks)


def test_the_path_is_seen_from_above_with_right_below(invented) -> None:
    layout = made(invented.agreeing())["path"].figure["layout"]
    assert layout["yaxis"]["range"][0] > 0 > layout["yaxis"]["range"][1]
    # returning, the right of the outbound line is the driver's left: the sign turns round
    out, back = (
        made(getattr(invented, kind)())["path"].figure["data"][0] for kind in ("agreeing", "ceiling")
    )
    trace = invented.ceiling().trace.loggers[0]
    assert back["y"][0] == pytest.approx(-trace.across_m[0], abs=0.01)
    assert out["y"][0] == pytest.approx(invented.agreeing().trace.loggers[0].across_m[0], abs=0.01)


def test_letters_follow_the_pass_s_own_list_of_loggers(invented) -> None:
    found = invented.doubtful()
    turned = replace(found, trace=replace(found.trace, loggers=found.trace.loggers[::-1]))
    first = next(t for t in made(turned)["speed"].figure["data"] if "marker" in t)
    assert first["hovertemplate"].startswith("C read")


def test_missing_values_and_channels_do_no_harm(invented) -> None:
    found = invented.agreeing()
    holed = []
    for item in found.trace.loggers:
        speed, along = item.speed_mps.copy(), item.along_m.copy()
        speed[::7], along[::5] = np.nan, np.nan
        channels = {
            name: np.where(np.arange(len(speed)) % 25 != 1, np.nan, values)
            for name, values in item.channels.items()
        }
        holed.append(replace(item, speed_mps=speed, along_m=along, channels=channels))
    chart = made(replace(found, trace=replace(found.trace, loggers=tuple(holed))))
    for item in chart.values():
        json.dumps(item.figure, allow_nan=False)
    # a channel that comes once a second is a line all the same
    assert sum(value is not None for value in chart["signal"].figure["data"][0]["y"]) > 5


def test_a_trace_that_never_crosses_the_trap_is_drawn(invented) -> None:
    found = invented.agreeing()
    early = found.trace.along_m < 400

    def cut(item):
        keep = item.along_m < 400
        arrays = {
            name: getattr(item, name)[keep] for name in ("time_s", "along_m", "across_m", "speed_mps", "used")
        }
        return replace(item, **arrays, channels={})

    names = ("time_s", "along_m", "speed_mps", "speed_low_mps", "speed_high_mps", "accel_mps2")
    arrays = {name: getattr(found.trace, name)[early] for name in names}
    trace = replace(found.trace, **arrays, loggers=tuple(cut(item) for item in found.trace.loggers))
    assert "By the estimate" not in made(replace(found, trace=trace))["trap"].caption


# ---- pieces ---------------------------------------------------------------------------------------


def test_thinning_keeps_what_must_stay_and_the_ends() -> None:
    keep = np.zeros(1000, dtype=bool)
    keep[501] = True
    chosen = thin(1000, keep, 100)
    assert chosen[0] and chosen[-1] and chosen[501] and 100 <= chosen.sum() <= 103
    assert thin(100, keep[:100], 100).all()


def test_corners_of_steps_by_hand() -> None:
    values = np.array([1, 1, 1, 2, 2, 3, np.nan, np.nan, np.nan, 3])
    assert corners(values).tolist() == [True, False, True, True, True, True, True, False, True, True]


def test_a_gap_in_time_breaks_the_line() -> None:
    along, values = broken(np.arange(5.0), np.ones(5), np.array([0.0, 1.0, 2.0, 9.0, 10.0]))
    assert (
        along.tolist() == [0, 1, 2, 3, 3, 4]
        and np.isnan(values).tolist() == [False] * 3 + [True] + [False] * 2
    )


@pytest.mark.parametrize(
    ("rough", "step"), [(0.13, 0.2), (1.0, 1.0), (1.2, 2.0), (40.0, 50.0), (99.0, 100.0)]
)
def test_grid_steps_are_round(rough: float, step: float) -> None:
    assert _round_step(rough) == pytest.approx(step)


def test_strangers_text_in_a_chart_is_tame() -> None:
    assert chart_text("<b>%{y}</b>{mps:1}&") == "&lt;b&gt;% (y}&lt;/b&gt;(mps:1}&amp;"


def test_json_is_safe_inside_a_script_element() -> None:
    text = safe_json({"a": "</script>&\u2028"})
    assert text == '{"a":"\\u003c/script\\u003e\\u0026\\u2028"}'
    assert json.loads(text) == {"a": "</script>&\u2028"}
    with pytest.raises(ValueError, match="JSON compliant"):
        safe_json(float("nan"))


def test_small_pieces() -> None:
    assert [letter(0), letter(25), letter(26)] == ["A", "Z", "AA"]
    assert rounded(np.array([1.26, np.nan, np.inf]), 1) == [1.3, None, None]
    assert extent([np.array([np.nan]), np.empty(0)]) is None
    assert extent([np.array([3.0, np.nan]), np.array([-1.0])]) == (-1.0, 3.0)
