"""The share picture: what stands in it, both files, and strangers' text."""

from __future__ import annotations

import builtins
import io
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from speedlog.errors import SpeedlogError
from speedlog.report import picture_out
from speedlog.report.numbers import speed_unit
from speedlog.report.picture import Caption, Fill, Stroke, Text, alternative, picture
from speedlog.report.picture_out import as_png, as_svg

MPH = speed_unit("mph")
CAPTION = Caption("Pass 2", "Summer meeting, 2026-07-12", "Blue wedge")
SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = "\u202e</text><script>alert(1)</script>\"'&"


def opened(png: bytes):
    """The picture read back, with Pillow."""
    return pytest.importorskip("PIL.Image", reason="Pillow is not installed").open(io.BytesIO(png))


@pytest.fixture
def pillow() -> None:
    pytest.importorskip("PIL", reason="Pillow is not installed")


def svg_of(found, caption: Caption = CAPTION) -> str:
    return as_svg(picture(found, caption, MPH), alternative(found, caption, MPH))


def texts(found, unit=MPH) -> list[str]:
    return [
        item.text.replace("\u00a0", " ") for item in picture(found, CAPTION, unit) if isinstance(item, Text)
    ]


def test_verdict_figure_and_estimate_stand_in_it(invented) -> None:
    found = invented.missed()
    said = texts(found)
    assert {"Pass 2", "Blue wedge", "Trap figure", "187.5 mph", "Estimate", "± 0.5 mph"} <= set(said)
    assert found.verdict.text in " ".join(said)
    assert "not an official speed" in said[-1]
    # 0.22 m/s and 0.7 m/s half, by hand: 0.22 / 0.44704 = 0.49, 0.7 / 0.44704 = 1.57
    assert "± 1.6 mph" in said


def test_in_another_unit_the_figures_are_converted(invented) -> None:
    # 187.5 mph = 83.82 m/s = 301.752 km/h (NIST SP 811)
    assert "301.8 km/h" in texts(invented.missed(), speed_unit("km/h"))


def test_without_a_course_it_tells_the_fastest_moment(invented) -> None:
    said = texts(invented.no_course())
    assert "Fastest moment, by the logs" in said and "trap" not in said and "Trap figure" not in said


def test_the_curve_runs_from_left_to_right_both_ways(invented) -> None:
    for kind in ("missed", "ceiling"):
        shapes = picture(getattr(invented, kind)(), CAPTION, MPH)
        (curve,) = [item for item in shapes if isinstance(item, Stroke) and item.width == 4]
        across = [point[0] for point in curve.points]
        assert across == sorted(across) and across[0] == 520 and across[-1] == 1144
        highest = min(curve.points, key=lambda point: point[1])
        assert 322 < highest[1] < 360  # as high as it goes is near the chart's top


def test_a_fault_near_the_trap_is_drawn_and_named(invented) -> None:
    found = invented.missed()
    assert any("no epochs" in text and "weak fix" in text for text in texts(found))
    blocks = [
        item for item in picture(found, CAPTION, MPH) if isinstance(item, Fill) and item.colour == "#e4e7e9"
    ]
    assert len(blocks) == 2
    assert not any("foot" in text for text in texts(invented.agreeing()))


def test_long_verdicts_get_smaller_and_only_very_long_ones_are_cut(invented) -> None:
    found = invented.agreeing()
    for words, cut in ((30, False), (45, False), (200, True)):
        long = replace(found, verdict=replace(found.verdict, text="word and " * (words // 2)))
        lines = [
            item for item in picture(long, CAPTION, MPH) if isinstance(item, Text) and "word" in item.text
        ]
        assert len(lines) <= 4 and lines[-1].text.endswith("…") == cut
        assert max(item.y for item in lines) < 286  # above the figures


def test_a_pass_without_samples_has_no_curve(invented) -> None:
    shapes = picture(replace(invented.agreeing(), trace=None), CAPTION, MPH)
    assert not [item for item in shapes if isinstance(item, Stroke)]


def test_the_svg_is_well_formed_with_a_text_alternative(invented) -> None:
    root = ElementTree.fromstring(svg_of(invented.missed()).split("\n", 1)[1])
    assert (root.get("width"), root.get("height"), root.get("role")) == ("1200", "630", "img")
    said = root.findtext(f"{SVG}title")
    assert said is not None and "The logger missed the trap" in said and "Fastest moment" in said


def test_strangers_text_stays_text(invented) -> None:
    found = invented.agreeing()
    bad = replace(
        found,
        verdict=replace(found.verdict, text=HOSTILE),
        loggers=tuple(replace(item, file="/home/someone/" + item.file) for item in found.loggers),
    )
    svg = svg_of(bad, Caption(HOSTILE, HOSTILE, HOSTILE))
    root = ElementTree.fromstring(svg.split("\n", 1)[1])
    assert {item.tag for item in root} <= {
        f"{SVG}{name}" for name in ("title", "rect", "text", "polygon", "polyline")
    }
    assert "\u202e" not in svg and "someone" not in svg


def test_the_png_has_the_size_and_its_colours(invented, pillow) -> None:
    image = opened(as_png(picture(invented.missed(), CAPTION, MPH)))
    assert image.size == (1200, 630) and image.format == "PNG"
    pixels = np.asarray(image.convert("RGB")).reshape(-1, 3)
    for colour in ((255, 255, 255), (0x10, 0x14, 0x18), (0xB8, 0x47, 0x00)):
        assert (pixels == colour).all(axis=1).any()
    assert not image.info  # nothing of the computer in it


def test_no_text_runs_over_the_edge_of_the_png(invented, pillow) -> None:
    wide = Caption("Pass 2", "A very long name of a session " * 5, "W" * 200)
    image = opened(as_png(picture(invented.missed(), wide, MPH))).convert("L")
    edge = np.asarray(image)[:, :30]
    assert (edge == 255).all() and (np.asarray(image)[:, 1170:] == 255).all()


def test_without_a_system_font_the_library_s_own_is_taken(invented, monkeypatch, pillow) -> None:
    monkeypatch.setattr(picture_out, "_found", lambda bold: None)
    _, text = picture_out._font(20, True, "−1.0\u00a0± é 日 – “x”")
    assert text == '-1.0 ± e ? - "x"'
    assert as_png(picture(invented.missed(), CAPTION, MPH))


def test_without_pillow_the_error_says_what_to_do(invented, monkeypatch) -> None:
    real = builtins.__import__

    def without(name, *args, **more):
        if name.startswith("PIL"):
            raise ImportError(name)
        return real(name, *args, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(SpeedlogError, match=r"needs the library Pillow.*or write an \.svg"):
        as_png(picture(invented.missed(), CAPTION, MPH))
