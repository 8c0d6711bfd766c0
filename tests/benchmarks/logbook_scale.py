"""A logbook of many passes: history on the terminal, add, the file's size, the season page in a browser.

Every original is a real simulated log of 25 Hz. For the bulk of the book the packed bytes of a handful stand again
and again under other names and hashes, as packing a thousand by itself takes an hour; what is timed (history, add,
the page) never reads them. The passes that are added and timed are new ones, from new noise, reviewed for real.
"""

from __future__ import annotations

import secrets
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from speedlog.demo.draws import seeded
from speedlog.demo.families import family
from speedlog.demo.gnss import GnssLogger, log_gnss
from speedlog.demo.scenario import SimulatedPass, figure_text
from speedlog.demo.writers import nmea
from speedlog.logbook.add import FileOptions, add_files
from speedlog.logbook.history import Chosen, read_history
from speedlog.logbook.store import Logbook
from speedlog.samples import utc_text

Row = dict[str, Any]
HANDFUL, DAY = 4, 10  # simulated passes that the bulk repeats; passes a day
_FIRST = 1_783_850_400_000_000_000  # 2026-07-12T10:00:00Z
_OPENED = (
    "<script>addEventListener('load',()=>setTimeout(()=>{document.documentElement.setAttribute("
    "'data-opened',performance.now().toFixed(1))},0))</script>"
)


def measure(count: int, seed: int, times: int) -> list[Row]:
    """A row a question, with the issue's bound; ratios and seconds of this machine."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run = replace(family("clean_25hz", seeded(seed, "clean_25hz", 0)), launch_ns=_FIRST)
        (folder / "course.toml").write_text(run.course_toml(), encoding="utf-8")
        base, originals = _base(folder, run, seed)
        small, big = folder / "small.db", folder / "big.db"
        for path, passes in ((small, 10), (big, count)):
            shutil.copy(base, path)
            _repeat(path, passes - HANDFUL, seed)
        rows = [_size(big, originals / HANDFUL * count), *_add(folder, run, small, big, seed, times)]
        return [*rows, _history(big, times), *_page(folder, big, times)]


def _logs(folder: Path, run: SimulatedPass, rng: np.random.Generator, at: int) -> list[Path]:
    """Two 25 Hz logs of one pass, with their own noise, `at` days and minutes after the first."""
    paths = []
    for letter in "ab":
        start = run.launch_ns + at // DAY * 86_400_000_000_000 + at % DAY * 1_800_000_000_000
        log = log_gnss(rng, run.truth, run.place, GnssLogger(), start)
        paths.append(folder / f"pass{at}_{letter}.nmea")
        paths[-1].write_bytes(nmea(log))
    return paths


def _keep(
    folder: Path, book: Logbook, run: SimulatedPass, rng: np.random.Generator, at: int
) -> tuple[float, int]:
    """Add a new pass: seconds, and bytes of its logs."""
    logs = _logs(folder, run, rng, at)
    options = FileOptions(course=folder / "course.toml", trap=figure_text(run.official_mps), car="Invented")
    start = time.perf_counter()
    done = add_files(book, logs, options)
    seconds = time.perf_counter() - start
    assert [item.new for item in done.passes] == [True], "the pass was not a new one"
    assert done.passes[0].row.result is not None and done.passes[0].row.result.error is None
    return seconds, sum(path.stat().st_size for path in logs)


def _base(folder: Path, run: SimulatedPass, seed: int) -> tuple[Path, int]:
    path, size = folder / "base.db", 0
    rng = np.random.default_rng((seed, 1))
    with Logbook.open(path, create=True) as book:
        for at in range(HANDFUL):
            size += _keep(folder, book, run, rng, at)[1]
    return path, size


def _repeat(path: Path, count: int, seed: int) -> None:
    """So many passes more: rows like those of the handful, days later, with speeds drawn anew."""
    draw = np.random.default_rng((seed, 2))
    with Logbook.open(path) as book, book.writing("a benchmark"):
        models = [dict(row) for row in book.rows("SELECT * FROM pass ORDER BY id LIMIT ?", (HANDFUL,))]
        session = dict(book.rows("SELECT * FROM session ORDER BY id LIMIT 1")[0])
        home = session["id"]
        for k in range(HANDFUL, HANDFUL + count):
            model = models[k % HANDFUL]
            shift = timedelta(days=k // DAY, minutes=30 * (k % DAY - k % HANDFUL))
            if k % DAY == 0:
                date = (pd.Timestamp(session["date"]) + timedelta(days=k // DAY)).date().isoformat()
                home = _insert(book, "session", session | {"name": f"Day {k // DAY}", "date": date})
            made = _insert(book, "pass", model | {
                "session_id": home, "number": k % DAY + 1,
                "start_utc": _later(model["start_utc"], shift), "end_utc": _later(model["end_utc"], shift),
            })  # fmt: skip
            _result(book, int(model["id"]), made, shift, draw)
            for row in book.rows(
                "SELECT recording.* FROM recording JOIN pass_recording ON recording_id = recording.id "
                "WHERE pass_id = ?", (model["id"],),
            ):  # fmt: skip
                content = dict(book.rows("SELECT * FROM content WHERE id = ?", (row["content_id"],))[0])
                size = content["size"] + int(draw.integers(-20_000, 20_000))
                kept = _insert(book, "content", content | {"sha256": secrets.token_hex(32), "size": size})
                recording = _insert(book, "recording", dict(row) | {
                    "content_id": kept, "name": f"pass{k}_{row['name'][-6:]}",
                    "start_time": _later(row["start_time"], shift), "end_time": _later(row["end_time"], shift),
                })  # fmt: skip
                book.run(
                    "INSERT INTO pass_recording (pass_id, recording_id) VALUES (?, ?)", (made, recording)
                )


def _insert(book: Logbook, table: str, values: Row) -> int:
    row = {key: value for key, value in values.items() if key != "id"}
    if "uid" in row:
        row["uid"] = secrets.token_hex(16)
    return book.run(
        f"INSERT INTO {table} ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})", tuple(row.values())
    )


def _result(book: Logbook, model: int, made: int, shift: timedelta, draw: np.random.Generator) -> None:
    row = dict(book.rows("SELECT * FROM result WHERE pass_id = ?", (model,))[0])
    step = float(draw.normal(0, 3))
    for key in row:
        if key.startswith(("official_", "estimate_", "peak_")) and row[key] is not None:
            row[key] += step
    row |= {"pass_id": made, "entry_utc": _later(row["entry_utc"], shift), "outbound": int(made % 2)}
    _insert(book, "result", row)


def _later(moment: str, shift: timedelta) -> str:
    return utc_text(pd.Timestamp(moment) + shift) or ""


def _row(what: str, value: float, bound: float, unit: str) -> Row:
    return {"what": what, "value": value, "at most": bound, "unit": unit}


def _size(path: Path, originals: float) -> Row:
    return _row("size of the file over that of its originals", path.stat().st_size / originals, 0.35, "ratio")


def _add(folder: Path, run: SimulatedPass, small: Path, big: Path, seed: int, times: int) -> list[Row]:
    """New passes into both, in turn, in one process that has its libraries in."""
    seconds: dict[Path, list[float]] = {small: [], big: []}
    for path in (small, big):
        with Logbook.open(path) as book:
            _keep(folder, book, run, np.random.default_rng((seed, 3)), 1_999 * DAY)
    for k in range(times):
        for path in (small, big) if k % 2 else (big, small):
            with Logbook.open(path) as book:
                rng = np.random.default_rng((seed, 4, k))
                # a day of their own, as many passes in each: a session is looked at whole
                seconds[path].append(_keep(folder, book, run, rng, (2_000 + k) * DAY)[0])
    # each pair one after the other, so that what else the machine does weighs on both
    ratios = [many / few for few, many in zip(seconds[small], seconds[big], strict=True)]
    return [
        _row("add of a pass, many kept over ten kept", statistics.median(ratios), 1.2, "ratio"),
        _row("  of that: add with many kept", statistics.median(seconds[big]), float("nan"), "s"),
    ]


def _history(path: Path, times: int) -> Row:
    commands = {
        "history": [sys.executable, "-m", "speedlog", "history", "--logbook", str(path)],
        "pandas": [sys.executable, "-c", "import pandas"],
    }
    seconds: dict[str, list[float]] = {name: [] for name in commands}
    for _ in range(times + 1):  # the first one brings the files into memory
        for name, command in commands.items():
            start = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            seconds[name].append(time.perf_counter() - start)
    history, pandas = (statistics.median(found[1:]) for found in seconds.values())
    return _row("history to the terminal over import pandas", history / pandas, 1.5, "ratio")


def _page(folder: Path, path: Path, times: int) -> list[Row]:
    """The season page: made, and opened in Chromium from the disk until it is loaded and its script has run."""
    from speedlog.report.season_page import season_page

    with Logbook.open(path, read_only=True) as book:
        found = read_history(book, Chosen(), None)
    start = time.perf_counter()
    text = season_page(found, made=datetime.now(UTC))
    made = time.perf_counter() - start
    rows = [
        _row("season page: made", made, float("nan"), "s"),
        _row("season page: size", len(text.encode()) / 1e6, float("nan"), "MB"),
    ]
    browser = next((found for name in ("chromium", "google-chrome") if (found := shutil.which(name))), None)
    if browser is None:
        return rows
    page = folder / "season.html"
    page.write_text(text.replace("</body>", f"{_OPENED}</body>"), encoding="utf-8")
    opened = [_opened(browser, page, folder / f"profile{k}") for k in range(times)]
    return [*rows, _row("season page: opened in Chromium", statistics.median(opened), 1.0, "s")]


def _opened(browser: str, page: Path, profile: Path) -> float:
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    done = subprocess.run(
        [browser, *options, f"--user-data-dir={profile}", "--dump-dom", page.as_uri()],
        capture_output=True, text=True, encoding="utf-8", check=True, timeout=120,
    )  # fmt: skip
    return float(done.stdout.split('data-opened="', 1)[1].split('"', 1)[0]) / 1000
