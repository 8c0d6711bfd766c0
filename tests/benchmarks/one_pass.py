"""Wall time and peak memory of `speedlog review` on one pass, in a process of its own."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

# the child reports its own peak: by the resource module where there is one (Linux in kB, macOS in
# bytes), else by the Windows API; no package needed
_CHILD = """
import sys, runpy
sys.argv = ["speedlog", *sys.argv[1:]]
code = 0
try:
    runpy.run_module("speedlog", run_name="__main__")
except SystemExit as done:
    code = done.code or 0
try:
    import resource
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)
except ImportError:
    import ctypes
    from ctypes import wintypes
    class Counters(ctypes.Structure):
        _fields_ = [("cb", wintypes.DWORD), ("faults", wintypes.DWORD)] + [
            (name, ctypes.c_size_t) for name in ("peak", "set", "a", "b", "c", "d", "e", "f")]
    counters = Counters()
    counters.cb = ctypes.sizeof(counters)
    process = ctypes.windll.kernel32.GetCurrentProcess
    process.restype = wintypes.HANDLE
    ctypes.windll.psapi.GetProcessMemoryInfo(wintypes.HANDLE(process()), ctypes.byref(counters), counters.cb)
    peak = counters.peak / 1e6
print(f"PEAK {peak:.1f}", file=sys.stderr)
sys.exit(code)
"""


def measure(times: int = 3) -> list[dict[str, Any]]:
    """Pass 9 of the sample data: two GNSS logs and a controller."""
    from speedlog.demo import sample_folder

    folder = sample_folder()
    files = [str(folder / name) for name in ("p09_front.nmea", "p09_rear.csv", "p09_controller.csv")]
    options = [
        "--course",
        str(folder / "course.toml"),
        "--trap",
        "196.9 mph",
        "--wheel-diameter",
        "88 mm",
        "--json",
        "-",
    ]
    command = [sys.executable, "-c", _CHILD, "review", *files, *options]
    walls, peaks = [], []
    for _ in range(times):
        start = time.perf_counter()
        done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
        walls.append(time.perf_counter() - start)
        if done.returncode:
            raise SystemExit(done.stderr)
        peaks.append(float(done.stderr.rsplit("PEAK ", 1)[1].split()[0]))
    return [
        {
            "what": "speedlog review, 3 logs, start to end",
            "median s": statistics.median(walls),
            "peak MB": max(peaks),
        },
        {
            "what": "of it in review() alone",
            "median s": _inside(folder, files, times),
            "peak MB": float("nan"),
        },
    ]


def _inside(folder: Path, files: list[str], times: int) -> float:
    from speedlog.course.coursefile import Course
    from speedlog.pipeline import review

    course = Course.load(folder / "course.toml")
    walls = []
    for _ in range(times + 1):  # the first one brings the libraries in
        start = time.perf_counter()
        review(files, course=course, trap="196.9 mph", wheel_diameter="88 mm")
        walls.append(time.perf_counter() - start)
    return statistics.median(walls[1:])
