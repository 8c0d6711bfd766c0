"""Makes the sample data: `python -m speedlog.demo.make sample_data`. The same bytes each time."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

from speedlog.demo import meeting
from speedlog.demo.day import DAY, Drive
from speedlog.demo.meeting import drive_it
from speedlog.demo.scenario import SimulatedPass, course_toml, figure_text

CHARGED = 1.01  # put back over drawn: lithium cells lose a percent or less (common knowledge, no source)

_README = """# An invented meeting

Nobody drove this. A simulated car makes ten passes over a day, by equations of its own; simulated
loggers watch it, with noise and with the faults below, put in on purpose. Place, car and figures
are invented. `session.toml` is the day as a driver would write it down; `course.toml` the runway
and the trap; `truth.json` what really happened, which no log knows.

Files: `.nmea` front logger, 25 epochs a second (pass 4: rear, once a second); `_rear.csv` rear
logger, 10 a second; `.gpx` a borrowed logger, 10 a second; `_controller.csv` the speed controller,
20 rows a second on a clock of its own that gains 35 parts in a million. Each log begins 2 s before
the launch and ends 2 s after the car stands.

| pass | way | logs | trap figure as written | true trap speed | what is wrong on purpose |
| --- | --- | --- | --- | --- | --- |
{rows}

Made by `python -m speedlog.demo.make sample_data` (seed {seed}); a test makes it again and
compares. Do not edit by hand.
"""


def meeting_files() -> dict[str, bytes]:
    """File name to content: every file of the sample folder."""
    driven = [(drive, drive_it(drive)) for drive in DAY]
    found: dict[str, bytes] = {}
    for _, run in driven:
        found |= {name: content for name, content in run.files().items() if name != "course.toml"}
    course = course_toml("Oldfen runway", meeting.PLACE, meeting.TRAP, "Europe/London", meeting.RUNWAY_M)
    texts = {
        "course.toml": course,
        "session.toml": _session(driven),
        "truth.json": json.dumps(_truth(driven), indent=1, ensure_ascii=False) + "\n",
        "README.md": _readme(driven),
    }
    return found | {name: text.encode("utf-8") for name, text in texts.items()}


def figure(drive: Drive, run: SimulatedPass) -> str:
    """The trap figure as it was written down on the day."""
    if drive.figure == "s":
        return f"{meeting.TRAP.length_m / run.official_mps:.4f} s"
    return drive.keyed(figure_text(run.official_mps, drive.figure, 1))


def _session(driven: list[tuple[Drive, SimulatedPass]]) -> str:
    lines = [
        f'name = "{meeting.NAME}"',
        f"date = {meeting.DATE}",
        'course = "course.toml"',
        f'car = "{meeting.CAR}"',
        "",
        "[weather]",
        'wind = "5.5 m/s from 255"',
        f'wind_height = "{meeting.METER_M:g} m"',
        'temperature = "21 °C"',
        'humidity = "55 %"',
        'qnh = "1016 hPa"',
        'elevation = "31 m"',
    ]
    for drive, run in driven:
        names = [name for name, _, _ in run.gnss] + ([run.wheel[0]] if run.wheel else [])
        logs = ", ".join(f'"{name}"' for name in names)
        lines += [
            "",
            "[[pass]]",
            f"number = {drive.number}",
            f"logs = [{logs}]",
            f'trap = "{figure(drive, run)}"',
        ]
        lines += [f'wind = "{meeting.wind_reading_mps(drive):g} m/s from {drive.wind[1]:g}"']
        if drive.setup:
            cells = ", ".join(f"{key} = {json.dumps(value)}" for key, value in drive.setup.items())
            lines += [f"setup = {{ {cells} }}"]
        lines += [f'note = "{drive.note}"', "[pass.measured]", *_measured(drive, run)]
    return "\n".join(lines) + "\n"


def _measured(drive: Drive, run: SimulatedPass) -> list[str]:
    """What the driver measures by hand after a pass, read as coarsely as such things are."""
    truth = run.truth
    charge_ah = float(np.sum(truth.pack_current_a[:-1] * np.diff(truth.slow_s))) / 3600
    rest = 49.9 - 0.8 * charge_ah
    found = [
        f'motor_temp_before = "{drive.motor_start_c:.0f} °C"',
        f'motor_temp_after = "{truth.motor_temp_c[-1] + 2:.0f} °C"',
        f'pack_voltage_rest = "{rest:.1f} V"',
        f'charge_put_back = "{round(charge_ah * CHARGED * 1000, -1):.0f} mAh"',
    ]
    if drive.number in (5, 10):
        found += ['tyre_diameter_before = "88.6 mm"', 'tyre_diameter_after = "88.4 mm"']
    return found


def _utc(run: SimulatedPass, time_s: float) -> str:
    stamp = np.datetime64(run.launch_ns + round(time_s * 1e9), "ns")
    return f"{np.datetime_as_string(stamp, unit='us')}Z"


def _truth(driven: list[tuple[Drive, SimulatedPass]]) -> dict[str, Any]:
    passes = []
    for drive, run in driven:
        truth = run.truth
        faults = [
            {
                "file": name,
                "kind": label.kind,
                "start_utc": _utc(run, label.start_s),
                "end_utc": _utc(run, label.end_s),
            }
            for name, _, log in run.gnss
            for label in log.labels
        ]
        wheel = None
        if run.wheel is not None:
            box = run.wheel[1].controller
            start = run.wheel[1].true_s[0]
            wheel = {
                "file": run.wheel[0],
                "first_epoch_utc": _utc(run, float(start)),
                "fast_ppm": box.fast_ppm,
            }
        passes.append(
            {
                "number": drive.number,
                "outbound": drive.outbound,
                "trap_mps": round(truth.trap_mps, 4),
                "trap_mph": float(figure_text(truth.trap_mps, "mph", 3).split()[0]),
                "peak_mps": round(truth.peak_mps, 4),
                "entry_utc": _utc(run, truth.entry_s),
                "exit_utc": _utc(run, truth.exit_s),
                "lift_utc": _utc(run, truth.lift_s),
                "trap_as_written": figure(drive, run),
                "wrong_on_purpose": drive.wrong,
                "faults": faults,
                "controller": wheel,
            }
        )
    return {"made_by": "python -m speedlog.demo.make sample_data", "seed": meeting.SEED, "passes": passes}


def _readme(driven: list[tuple[Drive, SimulatedPass]]) -> str:
    rows = [
        f"| {drive.number} | {'out' if drive.outbound else 'back'} | "
        f"{', '.join([name for name, _, _ in run.gnss] + ([run.wheel[0]] if run.wheel else []))} | "
        f"{figure(drive, run)} | {run.trap_mps:.2f} m/s | {drive.wrong} |"
        for drive, run in driven
    ]
    return _README.format(rows="\n".join(rows), seed=meeting.SEED)


def make(folder: Path) -> list[Path]:
    """Write the sample folder; its files, in the order written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, content in meeting_files().items():
        (folder / name).write_bytes(content)
        written.append(folder / name)
    return written


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m speedlog.demo.make FOLDER")
    for path in make(Path(sys.argv[1])):
        print(path)
