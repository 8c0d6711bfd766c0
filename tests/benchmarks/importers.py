"""Samples a second of each importer, against other people's readers in the same run."""

from __future__ import annotations

import io
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np


def _files(seed: int, minutes: float) -> tuple[dict[str, bytes], int]:
    """One long log in three formats: a pass, over and over, on a running clock."""
    from speedlog.demo import writers
    from speedlog.demo.car import Air, Car
    from speedlog.demo.gnss import GnssLogger, Place, log_gnss
    from speedlog.demo.truth import Driver, drive_pass

    rng = np.random.default_rng(seed)
    truth = drive_pass(Car(), Driver(lift_m=600.0), Air(), (550.0, 580.0))
    one = log_gnss(rng, truth, Place(53.1, -1.2, 75.0), GnssLogger(rate_hz=25.0), 1_714_564_800_000_000_000)
    times = max(1, round(minutes * 60 * 25 / len(one.true_s)))
    step = len(one.true_s) * 40_000_000
    rows = {
        name: np.tile(getattr(one, name), times)
        for name in (
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
    }
    time_ns = np.concatenate([one.time_ns + k * step for k in range(times)])
    true_s = (time_ns - time_ns[0]) / 1e9
    log = replace(one, time_ns=time_ns, true_s=true_s, **rows)
    found = {"nmea": writers.nmea(log), "gpx": writers.gpx(log, "long"), "csv": writers.gnss_csv(log)}
    return found, len(time_ns)


def _pynmea2(data: bytes) -> None:
    import pynmea2

    for line in data.decode("ascii").splitlines():
        pynmea2.parse(line, check=True)


def _gpxpy(data: bytes) -> None:
    import gpxpy

    gpxpy.parse(io.BytesIO(data))


def _pandas(data: bytes) -> None:
    import pandas as pd

    pd.read_csv(io.BytesIO(data))


OTHERS: dict[str, tuple[str, Callable[[bytes], None]]] = {
    "nmea": ("pynmea2, line by line", _pynmea2),
    "gpx": ("gpxpy", _gpxpy),
    "csv": ("pandas.read_csv", _pandas),
}


def _best_of(times: int, work: Callable[[], object]) -> float:
    def once() -> float:
        start = time.perf_counter()
        work()
        return time.perf_counter() - start

    return min(once() for _ in range(times))


def measure(seed: int, minutes: float = 5.0, times: int = 3) -> list[dict[str, Any]]:
    """A row a format: samples a second of ours and of the other reader, and the ratio."""
    from speedlog.importers import read

    files, count = _files(seed, minutes)
    rows = []
    for form, data in files.items():
        name, other = OTHERS[form]
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"long.{form}"
            path.write_bytes(data)
            ours = _best_of(times, lambda path=path: read(path))
            theirs = _best_of(times, lambda path=path, other=other: other(path.read_bytes()))
        rows.append(
            {
                "format": form, "other": name, "samples": count, "kB": len(data) // 1000,
                "speedlog samples/s": round(count / ours), "other samples/s": round(count / theirs),
                "ratio": theirs / ours,
            }
        )  # fmt: skip
    return rows
