"""How soon a report can be read: a day of 20 passes at 25 Hz with two loggers each, opened in a real chromium.

All times are from the opening (the navigation's start) as the browser itself took them; the page is opened anew
for each, without a cache.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

from speedlog.report import charting
from speedlog.report.page import review_page, session_page
from tests.benchmarks.table import text_table
from tests.browser.conftest import CHROMIUM
from tests.report.conftest import MADE, agreeing, missed, review_of, session_of

DIGITS = {
    "MB": 2, "times the library": 3, "readable ms": 0, "first chart ms": 0, "parsed ms": 0, "to look closer ms": 0,
    "a further one ms": 0, "longest task ms": 0,
}  # fmt: skip
_PAINTED = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null"
# the first curve of a chart is in the page, and the frame that shows it is out
_FIRST = """() => { window.firstCurve = null; const look = () => document.querySelector(".run")
  ? requestAnimationFrame(() => setTimeout(() => { window.firstCurve = performance.now(); }))
  : setTimeout(look, 5); look(); }"""
# drawn by the library, and that frame is out
_DRAWN = """(wanted) => new Promise((tell) => {
  const look = () => document.querySelector(wanted + " .main-svg")
    ? requestAnimationFrame(() => setTimeout(() => tell(performance.now()))) : setTimeout(look, 5);
  look();
})"""
_BUSY = """() => { window.longest = 0; new PerformanceObserver((list) => {
  for (const item of list.getEntries()) window.longest = Math.max(window.longest, item.duration); })
  .observe({type: "longtask", buffered: true}); }"""


def measure(times: int, slow_down: float) -> list[dict[str, Any]]:
    """One row a page: MB, against the library's own size, and milliseconds (median of `times`).

    Args:
        slow_down: how many times slower the processor is made to seem, for a cheap phone.
    """
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as name, sync_playwright() as run:
        started = run.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        rows = [_row(started, *page, times, slow_down) for page in _pages(Path(name))]
        started.close()
    return rows


def _pages(folder: Path) -> Iterator[tuple[str, Path, str]]:
    """(what, file, its first chart that needs script)."""
    makers: tuple[Callable[[], Any], ...] = (missed, agreeing)
    passes = [replace(makers[number % 2](), number=number) for number in range(1, 21)]
    day = session_of(*passes, failed=False)
    (folder / charting.shared_name()).write_text(str(charting.library()), encoding="utf-8")
    for what, html, chart in (
        ("day of 20 passes", session_page(day, made=MADE), "#pass-1-speed"),
        ("the same, library shared", session_page(day, made=MADE, shared=True), "#pass-1-speed"),
        ("one pass", review_page(review_of(missed()), made=MADE), "#pass-2-speed"),
    ):
        path = folder / f"{what.replace(' ', '-').replace(',', '')}.html"
        path.write_text(html, encoding="utf-8")
        yield what, path, chart


def _row(browser: Any, what: str, path: Path, chart: str, times: int, slow_down: float) -> dict[str, Any]:
    found = [_open(browser, path, chart, slow_down) for _ in range(times)]
    size = path.stat().st_size
    return {"page": what, "MB": size / 1e6, "times the library": size / len(charting.library().encode())} | {
        name: median(item[name] for item in found) for name in found[0]
    }


def _open(browser: Any, path: Path, chart: str, slow_down: float) -> dict[str, float]:
    with _context(browser, slow_down) as page:
        page.add_init_script(f"({_BUSY})(); ({_FIRST})()")
        page.goto(path.as_uri(), wait_until="commit")
        page.wait_for_function(f"({_PAINTED}) !== null", polling=20)
        readable = page.evaluate(_PAINTED)
        page.wait_for_function("document.readyState === 'complete'", polling=20)
        whole = page.evaluate("performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd")
        first = page.evaluate("window.firstCurve")
        page.evaluate("(wanted) => document.querySelector(wanted).scrollIntoView()", chart)
        drawn = page.evaluate(_DRAWN, chart)
        # the next chart, the library being there: from the scroll on
        begun = page.evaluate("() => performance.now()")
        further = page.evaluate("() => [...document.querySelectorAll('figure.chart')].at(-1).id")
        page.evaluate("(wanted) => document.querySelector(wanted).scrollIntoView()", f"#{further}")
        later = page.evaluate(_DRAWN, f"#{further}") - begun
        longest = page.evaluate("window.longest")
    return {
        "readable ms": readable, "first chart ms": first, "parsed ms": whole, "to look closer ms": drawn,
        "a further one ms": later, "longest task ms": longest,
    }  # fmt: skip


@contextmanager
def _context(browser: Any, slow_down: float) -> Iterator[Any]:
    context = browser.new_context(
        viewport={"width": 1280, "height": 900}, bypass_csp=True
    )  # polling evaluates
    page = context.new_page()
    if slow_down > 1:
        context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": slow_down})
    yield page
    context.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=9, help="openings of each page")
    parser.add_argument("--slow-down", type=float, default=1.0, help="for a cheap phone: 4")
    options = parser.parse_args()
    print(
        f"milliseconds from the opening, median of {options.times}; processor slowed {options.slow_down:g} times"
    )
    print(text_table(measure(options.times, options.slow_down), DIGITS))


if __name__ == "__main__":
    main()
