"""Each importer against other people's readers in the same run: time, memory, and whether time grows as the file does.

Times are CPU time of this process, the least of several: other work on the machine weighs least in it. Another
reader's ratio stands beside the bound that holds for it.
"""

from __future__ import annotations

import io
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from speedlog.demo.gnss import GnssLog

COUNTS = {"nmea": 500_000, "gpx": 100_000, "csv": 1_000_000}  # sentences, points, rows
_EPOCHS = {"nmea": 2}  # sentences an epoch: RMC and GGA
MOST_MEMORY = 4.0  # times the file, above the interpreter with pandas loaded
MOST_GROWTH = 10.5  # times the time for ten times the data

# A reading process tells its peak in bytes before and after. Linux keeps a parent's peak over an exec in
# `ru_maxrss`, so that its own is read from /proc; on Windows there is neither, and no figure.
_CHILD = """
import re, sys
from pathlib import Path
import pandas
from speedlog.importers import importers, read
importers()
def peak():
    status = Path("/proc/self/status")
    if status.exists():
        return 1024 * int(re.search(r"VmHWM:\\s+(\\d+) kB", status.read_text())[1])
    import resource
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
before = peak()
recording = read(sys.argv[1])
print(peak() - before)
"""


def epochs(seed: int, count: int) -> GnssLog:
    """So many epochs at 25 Hz: a pass, over and over, on a running clock."""
    from speedlog.demo.car import Air, Car
    from speedlog.demo.gnss import GnssLogger, Place, log_gnss
    from speedlog.demo.truth import Driver, drive_pass

    rng = np.random.default_rng(seed)
    truth = drive_pass(Car(), Driver(lift_m=600.0), Air(), (550.0, 580.0))
    one = log_gnss(rng, truth, Place(53.1, -1.2, 75.0), GnssLogger(rate_hz=25.0), 1_714_564_800_000_000_000)
    times = -(-count // len(one.true_s))
    step = len(one.true_s) * 40_000_000
    time_ns = np.concatenate([one.time_ns + k * step for k in range(times)])[:count]
    names = (
        "lat_deg",
        "lon_deg",
        "alt_m",
        "speed_mps",
        "track_deg",
        "hdop",
        "satellites",
        "cn0_dbhz",
        "quality",
    )
    rows = {name: np.tile(getattr(one, name), times)[:count] for name in names}
    return replace(one, time_ns=time_ns, true_s=(time_ns - time_ns[0]) / 1e9, **rows)


def text_of(form: str, seed: int, count: int) -> bytes:
    """A log of so many sentences (RMC and GGA), points or rows."""
    from speedlog.demo import writers

    log = epochs(seed, -(-count // _EPOCHS.get(form, 1)))
    if form == "gpx":
        return writers.gpx(log, "long")
    if form == "csv":
        return writers.gnss_csv(log)
    lines = writers.nmea(log).splitlines(keepends=True)
    return b"".join([line for line in lines if line[3:6] in (b"RMC", b"GGA")][:count])


def _pynmea2_text(data: bytes) -> None:
    import pynmea2

    for line in data.decode("ascii").splitlines():
        pynmea2.parse(line, check=True)


def _pynmea2(data: bytes) -> None:
    """The same values as ours: parsing alone leaves every field a text."""
    import pynmea2

    for line in data.decode("ascii").splitlines():
        found = pynmea2.parse(line, check=True)
        _ = found.timestamp, found.latitude, found.longitude
        if found.sentence_type == "RMC":
            _ = found.datestamp, found.spd_over_grnd, found.true_course
        else:
            _ = found.altitude, found.horizontal_dil, found.num_sats, found.gps_qual


def _gpxpy(data: bytes) -> None:
    import gpxpy

    gpxpy.parse(io.BytesIO(data))


def _bare(data: bytes) -> None:
    import pandas as pd

    pd.read_csv(io.BytesIO(data), names=list(range(24)))


def _table(data: bytes) -> None:
    import pandas as pd

    pd.read_csv(io.BytesIO(data), parse_dates=["UTC"])


@dataclass(frozen=True)
class Other:
    """Another reader: what it is given, and how many times our speed or our time against it must be."""

    name: str
    read: Callable[[bytes], None]
    bound: str  # "at least 12" or "at most 1.5"; "" where it is told for comparison only


OTHERS = {
    "nmea": (
        Other("pynmea2, line by line, values", _pynmea2, "at least 12"),
        Other("pynmea2, fields left as text", _pynmea2_text, ""),
        Other("pandas.read_csv, bare text", _bare, ""),
    ),
    "gpx": (Other("gpxpy", _gpxpy, "at least 5"),),
    "csv": (Other("pandas.read_csv, time parsed", _table, "at most 1.5"),),
}


def cpu_s(work: Callable[[], object], times: int) -> float:
    """CPU time of this process, all threads; the least of several."""

    def once() -> float:
        start = time.process_time()
        work()
        return time.process_time() - start

    return min(once() for _ in range(times))


def _growth(path: Path, small: Path, times: int) -> tuple[float, float]:
    """(seconds for the whole, how many times those for a tenth), in turns, so that both meet the same machine."""
    from speedlog.importers import read

    whole, tenth = [], []
    for _ in range(times):
        tenth += [cpu_s(lambda: read(small), 2)]
        whole += [cpu_s(lambda: read(path), 1)]
    return min(whole), min(whole) / min(tenth)


def _extra_memory(path: Path) -> float | None:
    """Bytes that reading takes at its peak, above an interpreter with pandas and the importers loaded."""
    done = subprocess.run(
        [sys.executable, "-c", _CHILD, str(path)], capture_output=True, text=True, check=False
    )
    return float(done.stdout) if done.returncode == 0 and done.stdout.strip() else None


def measure(seed: int, share: float = 1.0, times: int = 3) -> list[dict[str, Any]]:
    """A row a format and other reader.

    Args:
        share: of the full counts (500,000 sentences, 100,000 points, 1,000,000 rows).
        times: measurements, of which the least counts.
    """
    rows = []
    for form, others in OTHERS.items():
        count = max(int(COUNTS[form] * share), 500)
        data, tenth = text_of(form, seed, count), text_of(form, seed, count // 10)
        with tempfile.TemporaryDirectory() as folder:
            path, small = Path(folder) / f"long.{form}", Path(folder) / f"tenth.{form}"
            path.write_bytes(data)
            small.write_bytes(tenth)
            ours, growth = _growth(path, small, times)
            extra = _extra_memory(path)
        for other in others:
            theirs = cpu_s(lambda other=other, data=data: other.read(data), times)
            faster = not other.bound.startswith("at most")
            rows.append(
                {
                    "format": form, "items": count, "MB": len(data) / 1e6, "speedlog s": ours, "other": other.name,
                    "other s": theirs, "ratio": theirs / ours if faster else ours / theirs,
                    "of": "their time in ours" if faster else "our time in theirs", "bound": other.bound,
                    "memory / file": None if extra is None else extra / len(data),
                    "ten times the data": growth,
                }
            )  # fmt: skip
    return rows
