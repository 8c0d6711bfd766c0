"""How soon a report can be read: a day of 20 passes at 25 Hz with two loggers each, opened in a real chromium.

All times are from the opening (the navigation's start) as the page itself takes them, by a few lines added at its
end; the page is opened anew for each, by a chromium without a cache. Nothing is attached to it meanwhile: developer
tools make every error that the charting library throws and catches while it starts cost a tenth of a second, for a
stack trace that no reader of a report pays for. The page tells its times in its title.
"""

from __future__ import annotations

import argparse
import html
import json
import subprocess
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

from speedlog.report import charting
from speedlog.report.page import review_page, session_page
from tests.benchmarks.table import save_json, text_table
from tests.browser.conftest import CHROMIUM
from tests.report.conftest import MADE, agreeing, missed, review_of, session_of

TIMES = (
    "readable ms",
    "still chart ms",
    "parsed ms",
    "to look closer ms",
    "worst ms",
    "a further one ms",
    "longest task ms",
)
DIGITS = {"MB": 2, "times the library": 3, **dict.fromkeys(TIMES, 0)}
_PATIENCE_S = 120.0
# What is timed: first text out; the first chart (it stands in the HTML) out; all read in; scrolled to the first pass
# at once, its chart drawn by the library and that frame out; the last chart of the page likewise, from its scroll on.
_CLOCK = """<script>(() => {
  const found = {longest: 0};
  new PerformanceObserver((list) => { for (const item of list.getEntries())
    found.longest = Math.max(found.longest, item.duration); }).observe({type: "longtask", buffered: true});
  const out = (then) => requestAnimationFrame(() => setTimeout(then));
  const drawn = (chart, then) => {
    if (document.querySelector(chart + " .main-svg")) out(then); else setTimeout(() => drawn(chart, then), 5); };
  const show = (chart) => document.querySelector(chart).scrollIntoView();
  const begin = () => {
    const paint = performance.getEntriesByName("first-contentful-paint")[0];
    if (document.readyState !== "complete" || !paint) { setTimeout(begin, 5); return; }
    found.readable = paint.startTime;
    found.parsed = performance.getEntriesByType("navigation")[0].domContentLoadedEventEnd;
    show("CHART");
    drawn("CHART", () => {
      found.closer = performance.now();
      const last = "#" + [...document.querySelectorAll("figure.chart")].at(-1).id;
      show(last);
      drawn(last, () => { found.further = performance.now() - found.closer; document.title = JSON.stringify(found); });
    });
  };
  begin();
  window.stillOut = (at) => { found.still = at; };
})();</script></body>"""
# behind the day's charts, which stand in the HTML: the frame that shows them
_STILL = """<script>requestAnimationFrame(() => setTimeout(() => {
  const at = performance.now(), tell = () => window.stillOut(at);
  if (window.stillOut) tell(); else addEventListener("DOMContentLoaded", tell); }));</script>"""


def measure(times: int) -> list[dict[str, Any]]:
    """One row a page: MB, against the library's own size, and milliseconds (median of `times`, and the worst)."""
    with tempfile.TemporaryDirectory() as name:
        return [_row(*page, times) for page in _pages(Path(name))]


def _pages(folder: Path) -> Iterator[tuple[str, Path, str]]:
    """(what, file, its first chart that needs script)."""
    makers: tuple[Callable[[], Any], ...] = (missed, agreeing)
    passes = [replace(makers[number % 2](), number=number) for number in range(1, 21)]
    day = session_of(*passes, failed=False)
    (folder / charting.shared_name()).write_text(str(charting.library()), encoding="utf-8")
    for what, text, chart in (
        ("day of 20 passes", session_page(day, made=MADE), "#pass-1-speed"),
        ("the same, library shared", session_page(day, made=MADE, shared=True), "#pass-1-speed"),
        ("one pass", review_page(review_of(missed()), made=MADE), "#pass-2-speed"),
    ):
        path = folder / f"{what.replace(' ', '-').replace(',', '')}.html"
        path.write_text(text, encoding="utf-8")
        yield what, path, chart


def _row(what: str, path: Path, chart: str, times: int) -> dict[str, Any]:
    size = path.stat().st_size
    text = path.read_text(encoding="utf-8")
    timed = path.with_name(f"timed-{path.name}")
    begun, ended = text.rpartition("</body>")[::2]
    begun = begun.replace("</section>", f"</section>{_STILL}", 1)
    timed.write_text(begun + _CLOCK.replace("CHART", chart) + ended, encoding="utf-8")
    found = [_open(timed) for _ in range(times)]
    middle = {name: median(item[name] for item in found) for name in found[0]}
    return {
        "page": what, "MB": size / 1e6, "times the library": size / len(charting.library().encode()),
        "readable ms": middle["readable"], "still chart ms": middle["still"], "parsed ms": middle["parsed"],
        "to look closer ms": middle["closer"], "worst ms": max(item["closer"] for item in found),
        "a further one ms": middle["further"], "longest task ms": middle["longest"],
    }  # fmt: skip


def _open(path: Path) -> dict[str, float]:
    """What a page tells in its title."""
    with _chromium() as address:
        asked = urllib.request.Request(f"{address}/json/new?{path.as_uri()}", method="PUT")
        urllib.request.urlopen(asked).close()
        end = time.monotonic() + _PATIENCE_S
        while time.monotonic() < end:
            time.sleep(0.25)  # seldom, so that the asking takes nothing from the page
            with urllib.request.urlopen(f"{address}/json/list") as answer:
                titles = [html.unescape(item["title"]) for item in json.load(answer)]
            for title in titles:
                if title.startswith("{"):
                    return {str(key): float(value) for key, value in json.loads(title).items()}
    raise TimeoutError(f"{path.name} told nothing in {_PATIENCE_S:.0f} s")


@contextmanager
def _chromium() -> Iterator[str]:
    """A chromium of its own; where it listens. Its list of pages is asked over HTTP, no page is attached to."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        process = subprocess.Popen(
            [str(CHROMIUM), "--headless=new", "--no-sandbox", "--disable-background-networking",
             "--window-size=1280,900", f"--user-data-dir={profile}", "--remote-debugging-port=0", "about:blank"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            told = Path(profile) / "DevToolsActivePort"
            end = time.monotonic() + _PATIENCE_S
            while not (told.is_file() and told.read_text(encoding="utf-8").strip()):
                if time.monotonic() > end:
                    raise TimeoutError("chromium did not start")
                time.sleep(0.1)
            time.sleep(1.0)  # it has more to do when it starts
            yield f"http://127.0.0.1:{told.read_text(encoding='utf-8').split()[0]}"
        finally:
            process.terminate()
            process.wait()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=9, help="openings of each page")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    print(f"milliseconds from the opening, median of {options.times}")
    found = measure(options.times)
    print(text_table(found, DIGITS))
    save_json(options.json, {"pages": found})


if __name__ == "__main__":
    main()
