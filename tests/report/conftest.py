"""Invented reviews for the pages: every number here is made up, none comes from a car or a trap."""

from __future__ import annotations

import datetime as dt
import types
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from speedlog.course.coursefile import Course
from speedlog.course.geometry import Line
from speedlog.course.wind import parse_wind
from speedlog.results import (
    CourseSummary,
    Fault,
    Logger,
    LoggerTrace,
    Official,
    Pass,
    Peak,
    RecordingSummary,
    Review,
    Straightness,
    Trace,
    Trap,
    Verdict,
)
from speedlog.session import Change, ReviewedPass, Session, SessionPass, SessionReview, Weather
from speedlog.units import parse_quantity

MPH = 0.44704  # m/s, exact (NIST SP 811)
MADE = dt.datetime(2026, 7, 12, 19, 30, tzinfo=dt.UTC)
ENTRY, EXIT = 520.0, 550.0
COURSE = Course(
    name="Long runway",
    line=Line(53.1, -1.2, 75.0),
    entry_m=ENTRY,
    exit_m=EXIT,
    end_m=1400.0,
    time_zone="Europe/Lisbon",
    defaulted=("timer_resolution_s", "length_u_m"),
)
SUMMARY = CourseSummary(
    COURSE.name,
    COURSE.time_zone,
    ENTRY,
    EXIT,
    ("beam stamps taken as rounded to 1 ms (not stated)", "trap length taken as good to 20 mm (not stated)"),
)


def drive(top_mps: float, *, rate_hz: float = 25.0, outbound: bool = True, run_up_m: float = ENTRY):
    """(time, along, speed) of a made-up drive: a smooth pull to about `top_mps` at the trap, then braking."""
    time = np.arange(0, 40, 1 / rate_hz)
    pull = top_mps * 1.04 * np.tanh(time / 9.0)
    travelled = np.cumsum(pull) / rate_hz
    end = int(np.searchsorted(travelled, run_up_m + 35))
    pull = pull * top_mps / pull[int(np.searchsorted(travelled, run_up_m + 15))]
    travelled = np.cumsum(pull) / rate_hz
    end = int(np.searchsorted(travelled, run_up_m + 35))
    speed = pull.copy()
    speed[end:] = pull[end] * np.exp(-(time[end:] - time[end]) / 5.0)
    travelled = np.cumsum(speed) / rate_hz + ENTRY - run_up_m
    keep = speed > 3
    along = travelled if outbound else ENTRY + EXIT - travelled
    return time[keep], along[keep], speed[keep]


def gnss(file: str, motion, seed: int, *, holes=(), bias=0.0, ceiling=None, channels=True) -> LoggerTrace:
    rng = np.random.default_rng(seed)
    time, along, speed = motion
    reading = speed + bias + rng.normal(0, 0.12, len(speed))
    if ceiling is not None:
        reading = np.minimum(reading, ceiling)
    out = np.zeros(len(time), dtype=bool)
    for low, high in holes:
        out |= (along >= low) & (along <= high)
    keep = ~out
    extra = {}
    if channels:
        dip = 5 * np.exp(-(((along - 540) / 90) ** 2))
        extra = {
            "satellites": np.round(17 - dip + rng.normal(0, 0.3, len(time)))[keep],
            "hdop": np.round(0.7 + dip / 12 + rng.normal(0, 0.01, len(time)), 2)[keep],
            "cn0_dbhz": (43 - dip + rng.normal(0, 0.5, len(time)))[keep],
        }
    across = 0.9 * np.sin(along / 160) + 0.2 * np.sin(along / 37) + rng.normal(0, 0.05, len(time))
    used = np.ones(keep.sum(), dtype=bool)
    if ceiling is not None:
        used = reading[keep] < ceiling - 0.01
    return LoggerTrace(file, "gnss", time[keep], along[keep], across[keep], reading[keep], used, extra)


def wheel(file: str, motion, seed: int) -> LoggerTrace:
    rng = np.random.default_rng(seed)
    time, along, speed = motion
    pull = np.maximum(np.gradient(speed, time), 0)
    current = 40 + 22 * pull + rng.normal(0, 4, len(time))
    return LoggerTrace(
        file,
        "wheel",
        time,
        along,
        np.full(len(time), np.nan),
        speed * (1 + rng.normal(0, 0.004, len(time))),
        np.ones(len(time), dtype=bool),
        {
            "current_a": current,
            "voltage_v": 50.2 - current * 0.021 - time * 0.05,
            "motor_temp_c": np.round(38 + np.cumsum(current) / 900),
            "controller_temp_c": np.round(31 + np.cumsum(current) / 2600),
            "throttle": np.clip(time / 4, 0, 1) * (pull > 0),
        },
    )


def stamp(hour: int, minute: int, seconds: float = 0.0) -> pd.Timestamp:
    return pd.Timestamp("2026-07-12", tz="UTC") + pd.Timedelta(hours=hour, minutes=minute, seconds=seconds)


def fault(kind, low, high, at: pd.Timestamp, *, near=True, detail="", last_s=0.5) -> Fault:
    return Fault(
        kind, at, at + pd.Timedelta(seconds=last_s), low, high, near, detail or f"{kind} for {last_s:g} s"
    )


def logger(trace: LoggerTrace, *, text, coverage=1.0, trap=None, official=None, faults=()) -> Logger:
    peak = float(np.nanmax(trace.speed_mps))
    shown = peak if trap is None else trap
    off = None if official is None else shown - official
    return Logger(
        trace.file,
        trace.kind,
        peak,
        trap,
        off,
        None if off is None else 100 * off / official,
        None if off is None else f"{'peak' if trap is None else 'trap reading'} against official",
        coverage,
        None,
        text,
        tuple(faults),
    )


def recording(file: str, seed: int, **more) -> RecordingSummary:
    base = RecordingSummary(
        file,
        f"{seed:064x}"[-64:].replace("0", "a", 20),
        "nmea",
        25.0,
        812,
        0,
        stamp(10, 3),
        stamp(10, 4),
        "utc",
        None,
        (),
    )
    return replace(base, **more)


def make_pass(
    number: int,
    motion,
    traces,
    loggers,
    *,
    official=None,
    unit="mph",
    estimate=None,
    half=0.35,
    verdict=None,
    outbound=True,
    at=None,
    course=True,
    warnings=(),
    accel=1.3,
    coverage=1.0,
) -> Pass:
    time, along, speed = motion
    at = at or stamp(10, 3, 20)
    grow = np.zeros(len(along)) + half * 0.6
    band = (speed - grow, speed + grow)
    top = int(np.argmax(speed))
    given = None
    if official is not None:
        value = parse_quantity(official, "speed", "trap").value
        given = Official(value, (value - 0.22, value + 0.22), official, unit, SUMMARY.assumptions)
    trap = None
    if course:
        interval = None if estimate is None else (estimate - half, estimate + half)
        inside = estimate is not None
        moments = (at + pd.Timedelta(seconds=9), at + pd.Timedelta(seconds=9.37)) if inside else (None, None)
        trap = Trap(ENTRY, EXIT, given, estimate, interval, *moments, coverage)
    return Pass(
        number=number,
        start_utc=at,
        end_utc=at + pd.Timedelta(seconds=float(time[-1])),
        heading_deg=75.1 if outbound else 255.0,
        outbound=outbound if course else None,
        trap=trap,
        peak=Peak(
            float(speed[top]), (float(speed[top]) - half, float(speed[top]) + half), at, float(along[top])
        ),
        loggers=tuple(loggers),
        verdict=verdict,
        straightness=Straightness(1.1, 410.0, 0.12 if course else None),
        trap_accel_mps2=accel if course else None,
        warnings=tuple(warnings),
        trace=Trace(time, along, speed, *band, np.gradient(speed, time), tuple(traces)),
    )


def mean_in_trap(motion) -> float:
    _, along, speed = motion
    inside = (along >= ENTRY) & (along <= EXIT)
    return float(speed[inside].mean())


# ---- one pass of each kind ---------------------------------------------------------------------


def agreeing() -> Pass:
    motion = drive(82.0)
    true = mean_in_trap(motion)
    mph = f"{true / MPH + 0.2:.1f} mph"
    official = float(mph.split()[0]) * MPH
    front, ctrl = gnss("p1_gnss.nmea", motion, 1), wheel("p1_controller.csv", motion, 2)
    loggers = [
        logger(
            front,
            trap=true + 0.05,
            official=official,
            text="Saw the whole trap and reads 0.1 mph under the figure.",
        ),
        logger(
            ctrl,
            trap=true - 0.1,
            official=official,
            text="Wheel speed follows the estimate to within 0.4 mph.",
        ),
    ]
    verdict = Verdict("agree", f"The trap's {mph} stands: the logs say {true / MPH:.1f} ± 0.8 mph.", 0.2)
    return make_pass(1, motion, [front, ctrl], loggers, official=mph, estimate=true, verdict=verdict)


def missed() -> Pass:
    motion = drive(83.4)
    true = mean_in_trap(motion)
    at = stamp(10, 41, 5)
    front = gnss("p2_gnss.nmea", motion, 3, holes=[(505, 566)])
    ctrl = wheel("p2_controller.csv", motion, 4)
    gap = fault(
        "gap", 505, 566, at, detail="no epochs for 0.72 s while the car covered about 61 m", last_s=0.72
    )
    weak = fault("poor_fix", 566, 640, at, near=True, detail="HDOP above 2 for 0.9 s", last_s=0.9)
    loggers = [
        logger(
            front,
            coverage=0.0,
            official=187.5 * MPH,
            text="Lost reception from 505 m to 566 m and saw nothing of the trap.",
            faults=[gap, weak],
        ),
        logger(
            ctrl,
            trap=true,
            official=187.5 * MPH,
            text="Wheel speed bridges the gap: 187.1 to 188.4 mph in the trap.",
        ),
    ]
    verdict = Verdict(
        "logger_missed_trap", "The logger missed the trap; by the wheels it was 187.9 ± 1.6 mph.", 0.3
    )
    return make_pass(
        2,
        motion,
        [front, ctrl],
        loggers,
        official="187.5 mph",
        estimate=true,
        half=0.7,
        verdict=verdict,
        at=at,
        outbound=True,
        coverage=0.0,
    )


def ceiling() -> Pass:
    motion = drive(85.0, outbound=False, run_up_m=600)
    true = mean_in_trap(motion)
    at = stamp(11, 15, 40)
    top = true - 1.4
    front = gnss("p3_gnss.gpx", motion, 5, ceiling=top)
    rear = gnss("p3_rear.nmea", motion, 6, bias=0.1)
    flat = fault(
        "ceiling", 640, 500, at, detail=f"the reading stands at {top / MPH:.1f} mph for 1.6 s", last_s=1.6
    )
    loggers = [
        logger(front, trap=top, official=true, text="Topped out inside the trap.", faults=[flat]),
        logger(rear, trap=true + 0.1, official=true, text="Saw the whole trap."),
    ]
    verdict = Verdict(
        "logger_ceiling", "One logger's reading is flat-topped in the trap; the figure stands.", 0.1
    )
    return make_pass(
        3,
        motion,
        [front, rear],
        loggers,
        official=f"{true / MPH:.1f} mph",
        estimate=true,
        verdict=verdict,
        at=at,
        outbound=False,
        accel=0.1,
    )


def doubtful() -> Pass:
    motion = drive(84.2)
    true = mean_in_trap(motion)
    at = stamp(13, 2, 11)
    traces = [
        gnss(f"p4_{name}.nmea", motion, 7 + i, bias=0.05 * i)
        for i, name in enumerate(("front", "rear", "tail"))
    ]
    many = [
        fault(
            "outlier", 120, 121, at, near=False, detail="one reading 69.3 mph off its neighbours", last_s=0.04
        ),
        fault(
            "frozen", 210, 260, at, near=False, detail="the same values for 0.8 s while moving", last_s=0.8
        ),
        fault(
            "clock_jump", 420, 420, at, near=False, detail="the clock steps forward by 1.00 s", last_s=0.04
        ),
        fault("no_fix", None, None, at, near=False, detail="marked invalid for 0.3 s", last_s=0.3),
        fault(
            "dead_reckoned", 600, 690, at, near=True, detail="positions marked as dead reckoned", last_s=1.1
        ),
    ]
    loggers = [
        logger(
            item,
            trap=true + 0.05 * i,
            official=168.4 * MPH,
            text="Saw the whole trap.",
            faults=many if i == 1 else (),
        )
        for i, item in enumerate(traces)
    ]
    verdict = Verdict(
        "trap_figure_doubtful",
        "The trap's 168.4 mph is in doubt: three loggers that agree with each other say 186.4 ± 0.8 mph. "
        "Ask the timekeeper: two digits may have been swapped.",
        -9.8,
    )
    return make_pass(
        4, motion, traces, loggers, official="168.4 mph", estimate=true, verdict=verdict, at=at, accel=-0.9
    )


def slow() -> Pass:
    motion = drive(80.0, rate_hz=25)
    true = mean_in_trap(motion)
    one_hz = drive(80.0, rate_hz=1.0)
    front = gnss("p5_one_hertz.gpx", one_hz, 12, channels=False)
    loggers = [
        logger(front, coverage=1.0, trap=true - 3.1, text="One reading a second: it averages over 80 m.")
    ]
    verdict = Verdict("not_enough_data", "Too little data: the estimate is only good to 4.1 %.", None)
    return make_pass(
        5,
        motion,
        [front],
        loggers,
        official="178.0 mph",
        estimate=true,
        half=3.3,
        verdict=verdict,
        at=stamp(14, 10),
    )


def no_figure() -> Pass:
    motion = drive(81.0)
    true = mean_in_trap(motion)
    front = gnss("p6_gnss.nmea", motion, 13)
    return make_pass(
        6,
        motion,
        [front],
        [logger(front, trap=true, text="Saw the whole trap.")],
        estimate=true,
        at=stamp(15, 0),
    )


def no_course() -> Pass:
    motion = drive(81.0)
    front = gnss("own.nmea", motion, 14)
    return make_pass(
        1, motion, [front], [logger(front, text="Highest reading 188.0 mph.", coverage=0.0)], course=False
    )


def review_of(*passes: Pass, course: bool = True) -> Review:
    files = list(dict.fromkeys(item.file for found in passes for item in found.loggers))
    recordings = [
        recording(
            file,
            7919 * (place + 1),
            format="delimited" if file.endswith("csv") else "nmea",
            clock_offset_s=1.284 if file.endswith("csv") else None,
            warnings=("the clock counts from switching on; moved by 1.284 s to fit the GNSS speeds",)
            if file.endswith("csv")
            else (),
        )
        for place, file in enumerate(files)
    ]
    return Review(tuple(recordings), tuple(passes), SUMMARY if course else None)


def session_of(*passes: Pass, failed: bool = True, **changed) -> SessionReview:
    """A session of these passes, the second with a change of set-up, and one more that failed."""
    entries, reviewed = [], []
    setup = {
        "tyre": "foam, trued",
        "wheel_diameter": parse_quantity("88 mm", "length", "wheel"),
        "gear_ratio": 1.0,
        "cells": 12,
        "current_limit": parse_quantity("280 A", "current", "limit"),
    }
    weather = Weather(
        wind=parse_wind("3 m/s from 250"), temperature=parse_quantity("21 °C", "temperature", "air")
    )
    for found in passes:
        changes = ()
        if found.number == 2:
            now = parse_quantity("300 A", "current", "limit")
            changes = (Change("current_limit", setup["current_limit"], now),)
            setup = setup | {"current_limit": now}
        official = found.trap.official.text if found.trap and found.trap.official else None
        entry = SessionPass(
            found.number,
            tuple(Path(item.file) for item in found.loggers),
            official,
            weather,
            setup,
            frozenset(setup if found.number < 3 else ()),
            changes,
            "Tracked straight, a little tail wind." if found.number == 1 else "",
            {"motor_temp_after": parse_quantity("61 °C", "temperature", "motor")},
        )
        entries.append(entry)
        reviewed.append(ReviewedPass(entry, review_of(found), (found,)))
    if failed:
        entry = SessionPass(
            max(found.number for found in passes) + 1, (Path("p7_cut.nmea"),), "0.366 s", weather, setup
        )
        entries.append(entry)
        reviewed.append(
            ReviewedPass(entry, None, error="p7_cut.nmea: holds no readable line. Check the card.")
        )
    session = Session(
        "Summer meeting",
        dt.date(2026, 7, 12),
        COURSE,
        Path("course.toml"),
        "Blue wedge",
        tuple(entries),
        weather,
        Path("session.toml"),
    )
    return SessionReview(replace(session, **changed), tuple(reviewed))


ALL = (agreeing, missed, ceiling, doubtful, slow, no_figure)


@pytest.fixture(scope="session")
def invented():
    """The makers above, for the tests."""
    return types.SimpleNamespace(
        **{name: value for name, value in globals().items() if not name.startswith("__")}
    )


@pytest.fixture(scope="session")
def day(invented) -> SessionReview:
    """A session with a pass of every kind."""
    return session_of(*(make() for make in ALL))
