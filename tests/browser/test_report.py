"""The session report in a real browser: WCAG 2.2 AA, keyboard, phone, paper, a shared library, no network."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from speedlog.report import charting
from speedlog.report.page import review_page, session_page
from tests.report.conftest import ALL, MADE, agreeing, missed, review_of, session_of
from tests.report.test_car_words import CAR

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


class Opened:
    """A page in the browser that remembers what went wrong, and every request that it made."""

    def __init__(self, browser, path: Path, *, width: int = 1280, height: int = 900, **more) -> None:
        self.context = browser.new_context(viewport={"width": width, "height": height}, **more)
        self.page = self.context.new_page()
        self.wrong: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda said: self.wrong.append(f"{said.type}: {said.text}"))
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        # what a page has made itself, in memory, is asked of nobody
        asked = self.asked
        self.page.on("request", lambda item: None if item.url.startswith("blob:") else asked.append(item.url))
        self.page.goto(path.as_uri())

    def __enter__(self) -> Opened:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()

    def show(self, selector: str) -> None:
        """Scroll a chart into view and wait until it is drawn."""
        self.page.locator(selector).scroll_into_view_if_needed()
        self.page.wait_for_selector(f"{selector} .main-svg", timeout=20_000)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("pages")


@pytest.fixture(scope="module")
def day_html(folder: Path) -> Path:
    """A day with a pass of every kind; the first with all that is said of the car."""
    passes = [make() for make in ALL]
    object.__setattr__(passes[0], "car", CAR)
    path = folder / "day.html"
    path.write_text(session_page(session_of(*passes), made=MADE), encoding="utf-8")
    return path


def test_numbers_and_small_charts_are_there_without_script(browser, day_html: Path) -> None:
    with Opened(browser, day_html, java_script_enabled=False) as opened:
        page = opened.page
        assert page.locator("#pass-2 .verdict").inner_text().startswith("The logger missed the trap")
        assert page.locator("#pass-2 .three strong").first.inner_text().replace("\u00a0", " ") == "187.5 mph"
        assert page.locator(".runs .run").count() == 6
        assert page.locator(".runs .run").first.bounding_box()["width"] > 100
        assert page.locator(".still .run").count() == 6  # each pass's speed chart, until it is drawn anew
        assert opened.wrong == []


def test_charts_are_drawn_as_they_are_scrolled_to_without_an_error(browser, day_html: Path) -> None:
    with Opened(browser, day_html) as opened:
        page = opened.page
        assert page.locator(".main-svg").count() == 0  # the first is below the day's table
        opened.show("#pass-4-speed")
        assert page.locator("#pass-6-speed .main-svg").count() == 0
        for pass_ in ("pass-1", "pass-6"):
            opened.show(f"#{pass_}-speed")
            opened.show(f"#{pass_}-trap")
        assert opened.wrong == [] and opened.asked == [day_html.as_uri()]


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 360)])
def test_wcag_2_2_aa(browser, folder: Path, scheme: str, width: int) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    found = agreeing()
    object.__setattr__(found, "car", CAR)
    path = folder / "two.html"  # each part of a page once: axe looks at every element
    path.write_text(session_page(session_of(found, missed()), made=MADE), encoding="utf-8")
    with Opened(browser, path, width=width, color_scheme=scheme) as opened:
        page = opened.page
        page.evaluate("for (const item of document.querySelectorAll('details')) item.open = true")
        for selector in ("#pass-1-power", "#pass-2-speed", "#pass-2-trap"):
            opened.show(selector)
        found = axe.Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
        told = [
            (item["id"], [node["target"] for node in item["nodes"]][:4])
            for item in found.response["violations"]
        ]
        assert told == []


@pytest.mark.parametrize("width", [360, 768, 1280])
def test_nothing_runs_out_of_the_window(browser, day_html: Path, width: int) -> None:
    with Opened(browser, day_html, width=width) as opened:
        opened.show("#pass-2-speed")
        opened.show("#pass-2-trap")
        page = opened.page
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        if width == 360:  # what a thumb has to hit is large enough (WCAG 2.2, 2.5.8: 24 px)
            small = page.eval_on_selector_all(
                ".runs a, .pass nav a, .units span, .day th a, summary",
                "items => items.map((item) => item.getBoundingClientRect())"
                ".filter((box) => box.width && (box.height < 24 || box.width < 24)).length",
            )
            assert small == 0


def test_charts_are_reached_and_read_by_keyboard(browser, day_html: Path) -> None:
    with Opened(browser, day_html) as opened:
        page = opened.page
        opened.show("#pass-2-speed")
        page.locator("#pass-2 .compare").evaluate("item => item.parentElement.focus()")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.id") == "pass-2-speed"
        told = page.locator("#pass-2-speed .told")
        assert told.is_hidden()
        page.keyboard.press("ArrowRight")
        first = told.inner_text().replace("\u00a0", " ")
        assert re.match(r"\d+ m: estimate [\d.]+ mph; A read [\d.]+ mph; B read [\d.]+ mph\.", first), first
        inside = _walk(page, told, "ArrowLeft", 60, "505 m")
        assert "A: no epochs, 505 m to 566 m, no epochs for 0.72 s" in inside
        assert "A read" not in inside and "B read" in inside  # nothing is read out where nothing was logged
        page.keyboard.press("Home")
        assert re.match(r"-?\d+ m: ", told.inner_text())
        assert page.locator("#pass-2-speed .here").count() == 1
        page.keyboard.press("Escape")
        assert told.is_hidden() and page.locator("#pass-2-speed .here").count() == 0
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.id") == "pass-2-trap"
        assert opened.wrong == []


def _walk(page, told, key: str, most: int, wanted: str) -> str:
    """Move along the chart until the text holds `wanted`."""
    for step in ("ArrowRight", key):
        for _ in range(most):
            if wanted in told.inner_text():
                return str(told.inner_text())
            page.keyboard.press(step)
    return str(told.inner_text())


def test_the_switch_rewrites_numbers_small_charts_and_drawn_charts(browser, day_html: Path) -> None:
    with Opened(browser, day_html) as opened:
        page = opened.page
        opened.show("#pass-2-speed")
        page.locator(".units").get_by_text("km/h").click()
        # 187.5 mph = 301.752 km/h (NIST SP 811)
        assert page.locator("#pass-2 .three strong").first.inner_text().replace("\u00a0", " ") == "301.8 km/h"
        assert page.locator("#pass-2-speed").get_by_text("km/h", exact=True).count() >= 1
        ticks = page.locator(".runs .ticks").first
        assert ticks.locator("g:not(.off)").get_attribute("data-for") == "km/h"
        assert opened.wrong == []


def test_a_reader_of_the_screen_gets_a_finding_for_every_chart(browser, day_html: Path) -> None:
    with Opened(browser, day_html) as opened:
        figures = opened.page.locator("figure.chart")
        assert figures.count() > 20
        for place in range(figures.count()):
            said = figures.nth(place).locator("figcaption").inner_text()
            assert re.search(r"\d", said), said  # a figure in it, not only what kind of chart it is


# ---- paper ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def printed(browser, day_html: Path) -> Path:
    path = day_html.with_suffix(".pdf")
    with Opened(browser, day_html) as opened:
        opened.page.pdf(path=path, prefer_css_page_size=True, print_background=True)
        assert opened.wrong == []
    return path


def pages_of(pdf: Path) -> list[str]:
    tool = shutil.which("pdftotext")
    if tool is None:
        pytest.skip("pdftotext is not installed")
    text = subprocess.run([tool, "-layout", str(pdf), "-"], capture_output=True, check=True).stdout
    return text.decode("utf-8").split("\f")[:-1]


def test_it_prints_on_a4(printed: Path) -> None:
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed.read_bytes())
    assert boxes
    for width, height in boxes:  # 210 mm x 297 mm in points of 1/72 inch
        assert float(width) == pytest.approx(210 / 25.4 * 72, abs=1)
        assert float(height) == pytest.approx(297 / 25.4 * 72, abs=1)


def test_each_pass_begins_a_page_that_has_its_verdict_numbers_and_both_charts(printed: Path) -> None:
    pages = pages_of(printed)
    assert len(pages) <= 1 + 2 * 7 + 1  # the day, at most two a pass, the closing
    assert "7 passes" in pages[0] and "Pass 1" not in pages[0].split("\n")[0]
    for number in range(1, 7):
        (own,) = [text for text in pages if re.match(rf"\s*Pass {number}\b", text)]
        for wanted in (
            "Estimate",
            "Source",
            "Speed along the line",
            "Through the trap",
            "metres along the line",
        ):
            assert wanted in own, (number, wanted)
        assert "run-up" in own  # the chart itself, not only its heading
    assert "Before the next pass" in pages[-1]


def test_paper_has_every_detail_and_no_page_is_nearly_empty(printed: Path) -> None:
    pages = pages_of(printed)
    whole = "\n".join(pages)
    assert whole.count("SHA-256") >= 9 and "Wheel diameter" in whole and "Speeds in" not in whole
    assert min(len(text.split()) for text in pages) > 40


# ---- one library for a folder -----------------------------------------------------------------------


def test_reports_of_a_folder_share_the_library(browser, folder: Path) -> None:
    inside = folder / "shared"
    inside.mkdir()
    found = review_of(missed())
    for name in ("one.html", "two.html"):
        (inside / name).write_text(review_page(found, made=MADE, shared=True), encoding="utf-8")
        assert (inside / name).stat().st_size < 500_000
    library = inside / charting.shared_name()
    library.write_text(str(charting.library()), encoding="utf-8")
    assert charting.is_shared_in(inside)
    with Opened(browser, inside / "two.html") as opened:
        opened.show("#pass-2-trap")
        assert opened.wrong == []
        assert opened.asked == [(inside / "two.html").as_uri(), library.as_uri()]


def test_without_the_shared_library_the_page_says_what_is_missing(browser, folder: Path) -> None:
    alone = folder / "alone"
    alone.mkdir()
    path = alone / "one.html"
    path.write_text(review_page(review_of(agreeing()), made=MADE, shared=True), encoding="utf-8")
    assert not charting.is_shared_in(alone)
    with Opened(browser, path) as opened:
        opened.page.locator("#pass-1-speed").scroll_into_view_if_needed()
        opened.page.wait_for_selector("#pass-1-trap .plot:has-text('beside this page')", timeout=20_000)
        assert charting.shared_name() in opened.page.locator("#pass-1-trap .plot").inner_text()
        assert opened.page.locator("#pass-1-speed .still .run").count() == 1
        assert "trap" in opened.page.locator(".verdict").inner_text()


def test_a_page_of_twenty_passes_stays_whole(browser, folder: Path) -> None:
    makers = [missed, agreeing]
    passes = [replace(makers[number % 2](), number=number) for number in range(1, 21)]
    path = folder / "twenty.html"
    path.write_text(session_page(session_of(*passes, failed=False), made=MADE), encoding="utf-8")
    with Opened(browser, path) as opened:
        assert opened.page.locator(".runs li").count() == 20
        opened.show("#pass-20-speed")
        assert opened.wrong == []
