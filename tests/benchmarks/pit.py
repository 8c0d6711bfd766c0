"""The pit page under load and against the clock: python -m tests.benchmarks.pit [--uploads 200] [--json OUT]

A server of its own, asked over HTTP as a browser asks: from the drop of two 25 Hz logs to the verdict on the page;
uploads one after the other, and eight at once; every one must be kept, and the logbook be sound after it. With
chromium, the same from the drop in the browser to the verdict on the screen.
"""

from __future__ import annotations

import argparse
import os
import re
import statistics
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

from speedlog.demo import sample_folder
from speedlog.logbook import rows
from speedlog.logbook.store import Logbook
from speedlog.logbook.verify import verify
from tests.benchmarks.table import save_json, text_table
from tests.browser.pit_server import Served, serve
from tests.pit.shifted import shifted

SAMPLE = sample_folder()
PAIRS = (("p09_front.nmea", "p09_rear.csv", "196.9"), ("p05_front.nmea", "p05_rear.csv", "198.4"),
         ("p06_front.nmea", "p06_rear.csv", "184.5"), ("p01_front.nmea", "p01_rear.csv", "160.0"))  # fmt: skip
CHROMIUM = Path("/usr/bin/chromium")


@contextmanager
def running() -> Iterator[tuple[Served, httpx.Client]]:
    """A server over a new logbook that knows the course, and has had the time to warm up."""
    with tempfile.TemporaryDirectory() as folder:
        served = serve(Path(folder) / "logbook.db")
        client = httpx.Client(base_url=served.address, timeout=300)
        try:
            client.post("/course", files={"logs": ("course.toml", (SAMPLE / "course.toml").read_bytes())})
            time.sleep(4)
            yield served, client
        finally:
            client.close()
            served.stop()


def sent(client: httpx.Client, files: dict[str, bytes], **fields: str) -> tuple[float, str]:
    """Seconds from sending to having the page with the verdict, and that page."""
    start = time.perf_counter()
    answer = client.post("/files", files=[("logs", item) for item in files.items()], data=fields)
    page = client.get(answer.headers["location"]) if answer.status_code == 303 else answer
    return time.perf_counter() - start, page.text


def to_the_verdict() -> dict[str, Any]:
    """Two loggers' logs and the figure, dropped on a server just started."""
    times = []
    with running() as (served, client):
        before = processor_s(served.process.pid)
        for front, rear, figure in PAIRS:
            files = {name: (SAMPLE / name).read_bytes() for name in (front, rear)}
            took, page = sent(client, files, trap=figure, unit="mph")
            assert 'class="verdict none"' not in page
            times.append(took)
        spent = each(before, processor_s(served.process.pid), len(times))
        pages = [timed(client, path) for path in ("/", "/days") for _ in range(10)]
        charts = [timed(client, f"/pass/{number}/charts") for number in (1, 2, 3, 4)]
    return row("drop to verdict, two 25 Hz logs (HTTP)", times) | {"page s": statistics.median(pages),
                                                                    "charts s": statistics.median(charts),
                                                                    "processor s": spent}  # fmt: skip


def in_the_browser() -> dict[str, Any] | None:
    """From the files chosen in chromium to the verdict on the screen; the figure typed before."""
    if not CHROMIUM.is_file():
        return None
    from playwright.sync_api import sync_playwright

    times, feedback = [], []
    with running() as (served, _), sync_playwright() as run:
        browser = run.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        page = browser.new_page(base_url=served.address)
        for front, rear, figure in PAIRS:
            page.goto("/")
            if times:  # the last pass has been looked at meanwhile
                page.wait_for_selector("#charts figure")
            page.locator("#drop summary").click()
            page.fill("#early", figure)
            page.locator("#drop .choice label", has_text="mph").click()
            start = time.perf_counter()
            page.set_input_files("#logs", [str(SAMPLE / name) for name in (front, rear)])
            page.wait_for_selector("#status:not(:empty)")
            feedback.append(time.perf_counter() - start)
            page.wait_for_selector(f".told:has-text('Kept as pass {len(times) + 1}')")
            page.wait_for_selector(".verdict:not(.none) h1")
            times.append(time.perf_counter() - start)
        browser.close()
    return row("drop to verdict on the screen (chromium)", times) | {
        "feedback s": statistics.median(feedback)
    }


def under_load(count: int, at_once: int) -> list[dict[str, Any]]:
    """Passes 3 minutes apart, one after the other; then some at the same time."""
    with running() as (served, client):
        times = []
        before = processor_s(served.process.pid)
        for number in range(count):
            took, page = sent(
                client, {f"a{number}.nmea": shifted("p04_rear.nmea", 3 * number)}, trap="180.0", unit="mph"
            )
            assert "Kept as pass" in page, page[:2000]
            times.append(took)
        spent = each(before, processor_s(served.process.pid), count)
        after = [timed(client, "/") for _ in range(10)]
        together: list[float] = []

        def one(number: int) -> None:
            with httpx.Client(base_url=served.address, timeout=300) as mine:
                data = shifted("p02_front.nmea", 12 * 60 + 3 * number)
                together.append(sent(mine, {f"b{number}.nmea": data})[0])

        threads = [threading.Thread(target=one, args=(number,)) for number in range(at_once)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        peak = peak_mb(served.process.pid)
        with Logbook.open(served.logbook) as book:
            kept, sound = len(rows.passes(book)), verify(book, review=False).sound
    found = row(f"{count} uploads one after the other", times)
    found |= {
        "kept": kept - len(together),
        "sound": sound,
        "page s": statistics.median(after),
        "server MB": peak,
        "processor s": spent,
    }
    both = row(f"{at_once} uploads at once", together) | {
        "kept": kept - count,
        "sound": sound,
        "server MB": peak,
    }
    return [found, both]


def timed(client: httpx.Client, path: str) -> float:
    start = time.perf_counter()
    assert client.get(path).status_code == 200
    return time.perf_counter() - start


def peak_mb(process: int) -> float | None:
    """The server's greatest resident memory, where the system tells it (Linux)."""
    try:
        text = Path(f"/proc/{process}/status").read_text(encoding="utf-8")
    except OSError:
        return None
    found = re.search(r"VmHWM:\s+(\d+) kB", text)
    return None if found is None else int(found[1]) / 1000


def processor_s(process: int) -> float | None:
    """What the server's threads have computed so far, where the system tells it (Linux); other load doesn't count."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    except OSError:
        return None
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def each(before: float | None, after: float | None, count: int) -> float | None:
    return None if before is None or after is None else (after - before) / count


def row(name: str, times: list[float]) -> dict[str, Any]:
    ordered = sorted(times)
    return {
        "what": name, "times": len(times), "median s": statistics.median(times), "worst s": ordered[-1],
        "95 % s": ordered[max(0, round(0.95 * len(ordered)) - 1)], "feedback s": None, "page s": None, "charts s": None,
        "kept": None, "sound": None, "server MB": None, "processor s": None,
    }  # fmt: skip


def measure(uploads: int, at_once: int) -> list[dict[str, Any]]:
    """The rows: one log to the verdict, the same in a browser where there is one, and under load."""
    found = [to_the_verdict(), in_the_browser(), *under_load(uploads, at_once)]
    return [item for item in found if item is not None]


def main() -> None:
    """Run it, print the table, keep its JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--uploads", type=int, default=200)
    parser.add_argument("--at-once", type=int, default=8)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    table = measure(options.uploads, options.at_once)
    print(text_table(table, {"server MB": 0}))
    save_json(options.json, {"pit": table})


if __name__ == "__main__":
    main()
