"""Helpers for tests: sentences with a checksum worked out here, and a small clean log."""

from __future__ import annotations

from functools import reduce

from speedlog.importers import ReadOptions, Source, nmea
from speedlog.samples import Recording


def framed(body: str) -> str:
    """ "$", the body, "*" and the XOR of its bytes as two hex digits (NMEA 0183)."""
    return f"${body}*{reduce(lambda total, byte: total ^ byte, body.encode('ascii'), 0):02X}"


def log_of(*bodies: str, end: str = "\r\n") -> bytes:
    return "".join(framed(body) + end for body in bodies).encode("ascii")


def read(data: bytes) -> Recording:
    return nmea.read(Source("log.nmea", data), ReadOptions())


def rmc(time: str, speed: str = "19.438", date: str = "150624", status: str = "A", mode: str = "A") -> str:
    return f"GNRMC,{time},{status},5306.00000,N,00112.00000,W,{speed},75.0,{date},,,{mode}"


def gga(time: str, quality: str = "1", minutes: str = "06.00000") -> str:
    return f"GNGGA,{time},53{minutes},N,00112.00000,W,{quality},12,0.80,51.0,M,47.0,M,,"


def clean_log(epochs: int = 20, end: str = "\r\n") -> bytes:
    """RMC and GGA at 10 Hz; the speed of epoch i is i knots, so that each is told from the others."""
    bodies = []
    for at in range(epochs):
        time = f"1200{at // 10:02d}.{at % 10}0"
        bodies += [rmc(time, f"{at}.0"), gga(time, minutes=f"06.{at:05d}")]
    return log_of(*bodies, end=end)
