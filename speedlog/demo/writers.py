"""Logs to text: NMEA 0183 sentences, GPX 1.1, and tables. Bytes out; nothing here opens a file.

NMEA: field order as worked in the free description "NMEA Revealed" (gpsd project); the standard
itself was not consulted. GPX: the 1.1 schema, with speed and track in a namespace of our own.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from speedlog.demo.controller import ControllerLog
from speedlog.demo.gnss import GnssLog
from speedlog.units import Unit, find_unit

OUR_NAMESPACE = "urn:speedlog:demo:gpx:1"
_MODES = {0: "N", 1: "A", 6: "E"}


def _unit(symbol: str) -> Unit:
    unit = find_unit(symbol, "speed")
    assert unit is not None
    return unit


def speed_digits(log: GnssLog, form: str) -> int:
    """Digits after the point of the speed: knots in NMEA, km/h in CSV (one the fewer), m/s in GPX."""
    return max(1, log.logger.knot_digits - 1) if form == "csv" else log.logger.knot_digits


def speed_step_mps(log: GnssLog, form: str) -> float:
    """The step of the speed in a file's text [m/s]."""
    unit = _unit({"nmea": "kn", "csv": "km/h", "gpx": "m/s"}[form])
    return unit.to_si(10.0 ** -speed_digits(log, form))


def checksum(body: str) -> str:
    """XOR of every byte between "$" and "*", two hex digits."""
    total = 0
    for byte in body.encode("ascii"):
        total ^= byte
    return f"{total:02X}"


def sentence(body: str) -> str:
    """A whole sentence, with its checksum and line end."""
    return f"${body}*{checksum(body)}\r\n"


def _angle(degrees: float, digits: int, letters: str, width: int) -> str:
    """Degrees and minutes, "5306.07673,N"; rounding never makes sixty minutes."""
    step = 10**digits
    total = round(abs(degrees) * 60 * step)
    whole, part = divmod(total, 60 * step)
    minutes, fraction = divmod(part, step)
    return (
        f"{whole:0{width}d}{minutes:02d}.{fraction:0{digits}d},{letters[0] if degrees >= 0 else letters[1]}"
    )


def _clock(time_ns: int, digits: int) -> str:
    hundredths = round(time_ns % 86_400_000_000_000 / 10 ** (9 - digits))
    seconds, fraction = divmod(hundredths, 10**digits)
    minutes, second = divmod(seconds, 60)
    hour, minute = divmod(minutes, 60)
    return f"{hour % 24:02d}{minute:02d}{second:02d}.{fraction:0{digits}d}"


def nmea(log: GnssLog, *, talker: str = "GN", sky_every_s: float = 1.0) -> bytes:
    """RMC and GGA an epoch, GSA and GSV at a lower rate; CR LF, checksums."""
    digits = 3 if 1e9 / log.logger.rate_hz % 1e7 else 2
    knot = _unit("kn")
    out: list[str] = []
    sky = -np.inf
    for i, time_ns in enumerate(log.time_ns.tolist()):
        out += _fix_sentences(log, i, time_ns, digits, knot, talker)
        if log.true_s[i] - sky >= sky_every_s - 1e-9:
            sky = log.true_s[i]
            out += _sky_sentences(log, i, talker)
    return "".join(out).encode("ascii")


def _fix_sentences(log: GnssLog, i: int, time_ns: int, digits: int, knot: Unit, talker: str) -> Iterable[str]:
    clock = _clock(time_ns, digits)
    day = np.datetime64(time_ns // 86_400_000_000_000, "D").item()
    date = f"{day:%d%m%y}"
    quality = int(log.quality[i])
    mode = _MODES[quality]
    if quality == 0 or np.isnan(log.lat_deg[i]):
        yield sentence(f"{talker}RMC,{clock},V,,,,,,,{date},,,N,V")
        yield sentence(f"{talker}GGA,{clock},,,,,0,{int(log.satellites[i]):02d},{log.hdop[i]:.2f},,M,,M,,")
        return
    place = (
        f"{_angle(log.lat_deg[i], log.logger.minute_digits, 'NS', 2)},"
        f"{_angle(log.lon_deg[i], log.logger.minute_digits, 'EW', 3)}"
    )
    speed = f"{knot.from_si(log.speed_mps[i]):.{log.logger.knot_digits}f}"
    yield sentence(f"{talker}RMC,{clock},A,{place},{speed},{log.track_deg[i] % 360:.2f},{date},,,{mode},V")
    yield sentence(
        f"{talker}GGA,{clock},{place},{quality},{int(log.satellites[i]):02d},{log.hdop[i]:.2f},"
        f"{log.alt_m[i]:.1f},M,47.1,M,,"
    )


def _sky_sentences(log: GnssLog, i: int, talker: str) -> Iterable[str]:
    count = int(log.satellites[i])
    fix = 1 if log.quality[i] == 0 else 3
    names = [f"{3 * k % 31 + 1:02d}" for k in range(min(count, 12))]
    listed = ",".join(names + [""] * (12 - len(names)))
    hdop = log.hdop[i]
    yield sentence(
        f"{talker}GSA,A,{fix},{listed},{min(hdop * 1.6, 99.9):.2f},{hdop:.2f},{min(hdop * 1.25, 99.9):.2f},1"
    )
    shown = min(count, 12)
    # the four strongest average to the log's own figure; the rest are weaker
    above = [2, 1, -1, -2, *(-4 - k for k in range(8))]
    total = max(1, -(-shown // 4))
    for part in range(total):
        cells = [
            f"{names[k]},{(17 * k + 23) % 75 + 10:02d},{(137 * k + 40) % 360:03d},"
            f"{max(round(log.cn0_dbhz[i]) + above[k], 10):02d}"
            for k in range(4 * part, min(4 * part + 4, shown))
        ]
        yield sentence(",".join([f"GPGSV,{total},{part + 1},{shown:02d}", *cells]))


def _iso(time_ns: int, digits: int = 3) -> str:
    return f"{np.datetime_as_string(np.datetime64(time_ns, 'ns'), unit='ns')[: 20 + digits]}Z"


def gpx(log: GnssLog, name: str) -> bytes:
    """GPX 1.1; an epoch without a fix is no point, and the track segment breaks there."""
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="speedlog demo" xmlns="http://www.topografix.com/GPX/1/1"\n'
        f'     xmlns:run="{OUR_NAMESPACE}">\n <trk>\n  <name>{name}</name>\n  <trkseg>\n'
    )
    out, broken = [head], False
    digits = speed_digits(log, "gpx")
    for i, time_ns in enumerate(log.time_ns.tolist()):
        if log.quality[i] == 0 or np.isnan(log.lat_deg[i]):
            broken = True
            continue
        if broken:
            out.append("  </trkseg>\n  <trkseg>\n")
            broken = False
        out.append(
            f'   <trkpt lat="{log.lat_deg[i]:.7f}" lon="{log.lon_deg[i]:.7f}"><ele>{log.alt_m[i]:.1f}</ele>'
            f"<time>{_iso(time_ns)}</time><fix>3d</fix><sat>{int(log.satellites[i])}</sat>"
            f"<hdop>{log.hdop[i]:.2f}</hdop><extensions><run:speed>{log.speed_mps[i]:.{digits}f}</run:speed>"
            f"<run:course>{log.track_deg[i] % 360:.1f}</run:course></extensions></trkpt>\n"
        )
    out.append("  </trkseg>\n </trk>\n</gpx>\n")
    return "".join(out).encode("utf-8")


def gnss_csv(log: GnssLog, unit: str = "km/h") -> bytes:
    """A table: UTC, place, speed in the unit named, course, altitude, HDOP, satellites, C/N0."""
    shown = _unit(unit)
    digits = speed_digits(log, "csv")
    out = [
        f"UTC,Latitude (deg),Longitude (deg),Speed ({unit}),Course (deg),Altitude (m),"
        "HDOP,Satellites,C/N0 (dB-Hz)\n"
    ]
    for i, time_ns in enumerate(log.time_ns.tolist()):
        if log.quality[i] == 0 or np.isnan(log.lat_deg[i]):
            out.append(f"{_iso(time_ns)},,,,,,,{int(log.satellites[i])},{log.cn0_dbhz[i]:.1f}\n")
            continue
        out.append(
            f"{_iso(time_ns)},{log.lat_deg[i]:.7f},{log.lon_deg[i]:.7f},{shown.from_si(log.speed_mps[i]):.{digits}f},"
            f"{log.track_deg[i] % 360:.1f},{log.alt_m[i]:.1f},{log.hdop[i]:.2f},{int(log.satellites[i])},"
            f"{log.cn0_dbhz[i]:.1f}\n"
        )
    return "".join(out).encode("utf-8")


def controller_csv(log: ControllerLog) -> bytes:
    """The controller's table, on its own clock in milliseconds."""
    turns = "Motor rpm" if log.controller.pole_pairs <= 1 else "ERPM"
    out = [
        f"Time (ms),{turns},Battery current (A),Battery voltage (V),Motor temp (°C),"
        "ESC temp (°C),Throttle (%)\n"
    ]
    for i in range(len(log.clock_s)):
        out.append(
            f"{log.clock_s[i] * 1000:.0f},{log.rpm[i]:.0f},{log.current_a[i]:.1f},{log.voltage_v[i]:.2f},"
            f"{log.motor_temp_c[i]:.0f},{log.controller_temp_c[i]:.0f},{100 * log.throttle[i]:.0f}\n"
        )
    return "".join(out).encode("utf-8")
