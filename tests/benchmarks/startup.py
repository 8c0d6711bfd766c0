"""How soon a command is done: CPU time of fresh processes against the bare imports, and what each import takes."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

VERSION_RATIO = 1.5  # of `import typer`
REVIEW_RATIO, ESTIMATE_S = 1.6, 0.15  # of `import pandas, scipy.linalg`, and the estimate itself
REPORT_S = 0.5  # more with --out
_IMPORT = re.compile(r"import time:\s+(\d+) \|\s+(\d+) \|(\s+)([\w.]+)")


def process_s(command: Sequence[str], times: int) -> float:
    """CPU time of a process, the least of several; wall time where the system doesn't tell (Windows)."""
    return min(_once(command) for _ in range(times))


def _once(command: Sequence[str]) -> float:
    try:
        import resource
    except ImportError:
        start = time.perf_counter()
        subprocess.run(command, capture_output=True, check=True)
        return time.perf_counter() - start
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, capture_output=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def measure(folder: Path, times: int = 7) -> list[dict[str, Any]]:
    """A row a command: seconds, and the most they may be in this run.

    Args:
        folder: for the report that --out writes.
    """
    python, review = [sys.executable], _review()
    typer = process_s([*python, "-c", "import typer"], times)
    bare = process_s([*python, "-c", "import pandas, scipy.linalg"], times)
    version = process_s([*python, "-m", "speedlog", "--version"], times)
    json_s = process_s(review, times)
    out_s = process_s([*review, "--out", str(folder / "report.html")], times)
    return [
        {"process": "import typer", "s": typer, "at most s": None},
        {"process": "speedlog --version", "s": version, "at most s": VERSION_RATIO * typer},
        {"process": "import pandas, scipy.linalg", "s": bare, "at most s": None},
        {"process": "review --json, one pass", "s": json_s, "at most s": REVIEW_RATIO * bare + ESTIMATE_S},
        {"process": "the same with --out", "s": out_s, "at most s": json_s + REPORT_S},
    ]


def imports(shown: int = 25) -> list[dict[str, Any]]:
    """The imports of a review that take longest: milliseconds of their own, and with all that they import."""
    command = [sys.executable, "-X", "importtime", *_review()[1:]]
    text = subprocess.run(command, capture_output=True, check=True).stderr.decode("utf-8", "replace")
    found = [(int(own) / 1e3, int(whole) / 1e3, name) for own, whole, _, name in _IMPORT.findall(text)]
    slowest = sorted(found, key=lambda item: -item[1])[:shown]
    return [{"import": name, "own ms": own, "with its own imports ms": whole} for own, whole, name in slowest]


def _review() -> list[str]:
    """One pass of the sample data: two GNSS loggers at up to 25 Hz."""
    from speedlog.demo import sample_folder

    folder = sample_folder()
    logs = [str(folder / name) for name in ("p01_front.nmea", "p01_rear.csv")]
    course = ["--course", str(folder / "course.toml"), "--json", "-"]
    return [sys.executable, "-m", "speedlog", "review", *logs, *course]
