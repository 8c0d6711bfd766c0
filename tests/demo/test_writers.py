"""The files, read by other people's code: pynmea2, ElementTree and csv from the standard library."""

from __future__ import annotations

import csv
import io
import xml.etree.ElementTree as ElementTree

import numpy as np
import pynmea2
import pytest

from speedlog.demo import disturb, writers
from speedlog.demo.car import Air, Car
from speedlog.demo.controller import Controller, log_controller
from speedlog.demo.gnss import GnssLog, GnssLogger, Place, log_gnss
from speedlog.demo.truth import Driver, Truth, drive_pass

LAUNCH = 1_714_607_990_000_000_000  # 2024-05-01 23:59:50 UTC: the pass runs over midnight


@pytest.fixture(scope="module")
def truth() -> Truth:
    return drive_pass(Car(), Driver(lift_m=600.0), Air(), (550.0, 580.0))


@pytest.fixture(scope="module")
def log(truth: Truth) -> GnssLog:
    return log_gnss(
        np.random.default_rng(2), truth, Place(-53.1, 179.9, 75.0), GnssLogger(minute_digits=7), LAUNCH
    )


@pytest.mark.parametrize(
    "whole",
    [
        # references.md topic 1, recomputed there by two parsers
        "$GNRMC,120000.04,A,5306.07673,N,00111.52410,W,190.497,75.0,010524,,,A,V*1B",
        "$GNGGA,120000.04,5306.07673,N,00111.52410,W,1,12,0.70,31.2,M,47.1,M,,*67",
        "$GPGSV,2,1,08,01,40,083,46,02,17,308,41,12,07,344,39,14,22,228,45*75",
    ],
)
def test_checksums(whole: str) -> None:
    body, _, digits = whole[1:].partition("*")
    assert writers.checksum(body) == digits


def test_pynmea2_reads_every_sentence_back(log: GnssLog) -> None:
    lines = writers.nmea(log).decode("ascii").splitlines()
    parsed = [pynmea2.parse(line, check=True) for line in lines]
    fixes = [item for item in parsed if item.sentence_type == "RMC"]
    assert len(fixes) == len(log.true_s) == sum(item.sentence_type == "GGA" for item in parsed)
    # 1e-7 of a minute is 1.7e-9 of a degree; 0.001 kn is 5e-4 m/s: half a step of each
    assert [item.latitude for item in fixes] == pytest.approx(log.lat_deg, abs=1.0e-9)
    assert [item.longitude for item in fixes] == pytest.approx(log.lon_deg, abs=1.0e-9)
    speeds = np.array([float(item.spd_over_grnd) for item in fixes]) * 1852 / 3600
    assert speeds == pytest.approx(log.speed_mps, abs=2.6e-4)
    stamps = [np.datetime64(item.datetime.replace(tzinfo=None), "ns").astype(np.int64) for item in fixes]
    assert stamps == pytest.approx(log.time_ns.tolist(), abs=0)


def test_line_lengths_and_ends(log: GnssLog) -> None:
    # NMEA 0183 allows 82 characters with "$" and CR LF; receivers with 7 digits of a minute go over it
    text = writers.nmea(log_at(log, 5)).decode("ascii")
    assert text.endswith("\r\n")
    assert max(len(line) for line in text.splitlines(keepends=True)) <= 82


def log_at(log: GnssLog, digits: int) -> GnssLog:
    from dataclasses import replace

    return replace(log, logger=replace(log.logger, minute_digits=digits))


def test_sky_once_a_second(log: GnssLog) -> None:
    text = writers.nmea(log).decode("ascii")
    seconds = log.true_s[-1] - log.true_s[0]
    assert text.count("GSA") == pytest.approx(seconds, abs=1.5)


def test_minutes_never_read_sixty() -> None:
    assert writers._angle(52.99999999999, 5, "NS", 2) == "5300.00000,N"


def test_codes_of_lost_and_reckoned_epochs(log: GnssLog) -> None:
    spoilt = disturb.dead_reckoned(disturb.no_fix(log, 5.0, 5.4), 7.0, 7.4)
    lines = writers.nmea(spoilt).decode("ascii").splitlines()
    fixes = [pynmea2.parse(line) for line in lines if "RMC" in line]
    assert sum(item.status == "V" for item in fixes) == int((spoilt.quality == 0).sum()) > 0
    assert sum(item.mode_indicator == "E" for item in fixes) == int((spoilt.quality == 6).sum()) > 0


def test_gpx_by_elementtree(log: GnssLog) -> None:
    root = ElementTree.fromstring(writers.gpx(disturb.no_fix(log, 5.0, 6.0), "a"))
    space = {"g": "http://www.topografix.com/GPX/1/1", "r": writers.OUR_NAMESPACE}
    points = root.findall(".//g:trkpt", space)
    kept = (log.true_s < 5.0) | (log.true_s > 6.0)
    assert len(points) == kept.sum() and len(root.findall(".//g:trkseg", space)) == 2
    speeds = [float(point.find("g:extensions/r:speed", space).text) for point in points]  # type: ignore[union-attr, arg-type]
    assert speeds == pytest.approx(log.speed_mps[kept], abs=5.1e-4)
    # the order that the 1.1 schema wants
    assert [child.tag.split("}")[1] for child in points[0]] == [
        "ele",
        "time",
        "fix",
        "sat",
        "hdop",
        "extensions",
    ]


def test_gnss_table(log: GnssLog) -> None:
    rows = list(csv.DictReader(io.StringIO(writers.gnss_csv(log).decode("utf-8"))))
    assert len(rows) == len(log.true_s)
    speeds = np.array([float(row["Speed (km/h)"]) for row in rows]) / 3.6
    assert speeds == pytest.approx(log.speed_mps, abs=0.005 / 3.6 + 1e-9)
    stamps = [np.datetime64(row["UTC"].rstrip("Z"), "ns").astype(np.int64) for row in rows]
    assert stamps == log.time_ns.tolist()


@pytest.mark.parametrize(("form", "column"), [("nmea", 1852 / 3600), ("csv", 1 / 3.6), ("gpx", 1.0)])
def test_text_steps(log: GnssLog, form: str, column: float) -> None:
    # three digits of a knot, two of a km/h, three of a m/s
    expected = {"nmea": 1e-3, "csv": 1e-2, "gpx": 1e-3}[form] * column
    assert writers.speed_step_mps(log, form) == pytest.approx(expected)


def test_controller_table(truth: Truth) -> None:
    found = log_controller(np.random.default_rng(1), truth, Controller(), 1.0)
    rows = list(csv.DictReader(io.StringIO(writers.controller_csv(found).decode("utf-8"))))
    assert [float(row["Motor rpm"]) for row in rows] == pytest.approx(found.rpm)
    assert [float(row["Time (ms)"]) for row in rows] == pytest.approx(found.clock_s * 1000)
    assert max(float(row["Throttle (%)"]) for row in rows) == 100


def test_electrical_turns_say_so(truth: Truth) -> None:
    found = log_controller(np.random.default_rng(1), truth, Controller(pole_pairs=2), 1.0)
    assert writers.controller_csv(found).startswith(b"Time (ms),ERPM,")
