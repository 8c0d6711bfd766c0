"""From what is typed on the page to what the logbook takes."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook.amend import Corrections
from speedlog.logbook.given import check_text
from speedlog.logbook.rows import PassRow, SessionRow
from speedlog.reconcile.official import unit_part
from speedlog.session.load import MEASURED, SETUP
from speedlog.session.table import parse_trap
from speedlog.units import find_unit, parse_quantity

FIGURE_UNITS = ("mph", "km/h", "m/s", "s")
_BARE = re.compile(r"[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+")
# the units that are put behind a bare number, of what is typed beside a figure
SETUP_UNITS: Mapping[str, str] = {
    "wheel_diameter": "mm", "current_limit": "A", "mass": "kg", "timing": "°", "pack_capacity": "mAh",
    "lowest_cell": "V", "motor_limit": "°C", "controller_limit": "°C", "tyre_limit": "gn", "tyre_limit_rpm": "rpm",
    "wheelbase": "mm",
}  # fmt: skip
MEASURED_UNITS: Mapping[str, str] = {
    "motor_temp_before": "°C", "motor_temp_after": "°C", "pack_voltage_rest": "V", "charge_put_back": "mAh",
    "tyre_diameter_before": "mm", "tyre_diameter_after": "mm",
}  # fmt: skip
WEATHER_UNITS: Mapping[str, str] = {
    "wind": "", "temperature": "°C", "humidity": "%", "pressure": "hPa", "qnh": "hPa", "elevation": "m",
    "wind_height": "m",
}  # fmt: skip


def figure(fields: Mapping[str, str]) -> str | None:
    """The trap figure as text with its unit ("187.5 mph"); None where nothing was typed.

    Raises:
        SpeedlogError: it is neither a speed nor a time, or no unit was chosen for a bare number.
    """
    text = plain(fields.get("trap", ""), 60)
    if not text:
        return None
    if _BARE.fullmatch(text):
        unit = fields.get("unit", "")
        if unit not in FIGURE_UNITS:
            raise SpeedlogError(
                f'is "{text}" mph, km/h, m/s or seconds', todo="Tap the unit; it is remembered."
            )
        text = f"{text} {unit}"
    try:
        value = parse_trap(text).value
    except SpeedlogError:
        raise SpeedlogError(
            f'"{plain(text, 60)}" is no trap figure', todo='Type it like "187.5", or a time like "0.311 s".'
        ) from None
    if not value > 0:
        raise SpeedlogError(f'"{plain(text, 60)}" must be above zero', todo="Check the figure.")
    return text


def metres(text: str, what: str) -> float:
    """A typed distance; a bare number is in metres.

    Raises:
        SpeedlogError: it is none.
    """
    return float(parse_quantity(with_unit(plain(text), "m"), "length", what).value)


def wrong_field(fields: Mapping[str, str], names: Sequence[str]) -> str:
    """The first of these fields that says nothing usable by itself; "" where the mistake is another one."""
    for name in names:
        try:
            if name == "trap":
                figure(fields)
            elif name == "name":
                check_text(fields.get(name, ""), "the name")
            else:
                metres(fields.get(name, ""), name)
        except SpeedlogError:
            return name
    return ""


def figure_unit_of(trap_text: str | None) -> str | None:
    """Which of the page's units a kept figure was given in."""
    part = unit_part(trap_text or "")
    unit = find_unit(part, "speed") or find_unit(part, "time")
    return unit.symbol if unit is not None and unit.symbol in FIGURE_UNITS else None


def with_unit(text: str, unit: str | None) -> str:
    """A bare number with the unit that stands beside its field."""
    return f"{text} {unit}" if unit and _BARE.fullmatch(text) else text


def corrections(row: PassRow, fields: Mapping[str, str], *, trap: bool = True) -> Corrections:
    """What differs from the pass as kept: figure, wind, note, set-up, what was measured.

    An emptied field takes the value out; a field that was not on the form changes nothing.

    Raises:
        SpeedlogError: a figure is none.
    """
    told: dict[str, str | None] = {"trap": None, "wind": None, "note": None}
    if trap and "trap" in fields:
        told["trap"] = figure(fields) or ""
    if "wind" in fields and plain(fields["wind"]) != row.weather.get("wind", ""):
        told["wind"] = plain(fields["wind"])
    if "note" in fields and fields["note"].strip() != row.note:
        told["note"] = fields["note"].strip()
    return Corrections(
        trap=told["trap"], wind=told["wind"], note=told["note"],
        setup=_setup(row, fields), measured=_measured(row, fields),
    )  # fmt: skip


def number_of_pass(row: PassRow, fields: Mapping[str, str]) -> int | None:
    """The pass's number in its day, where another one was typed.

    Raises:
        SpeedlogError: it is none.
    """
    text = plain(fields.get("number", ""), 20)
    if not text or text == str(row.number):
        return None
    if not (text.isascii() and text.isdecimal() and len(text) < 6):
        raise SpeedlogError(f'"{text}" is no number of a pass', todo="Type it like 7.")
    return int(text)


def says_nothing(wanted: Corrections, row: PassRow) -> bool:
    """Whether nothing would change."""
    same = wanted.trap is None or wanted.trap == (row.trap_text or "")
    return same and not (wanted.wind or wanted.note or wanted.setup or wanted.measured or wanted.no_figure) and (
        (wanted.wind is None or not row.weather.get("wind")) and (wanted.note is None or not row.note)
    )  # fmt: skip


def _setup(row: PassRow, fields: Mapping[str, str]) -> dict[str, str]:
    found = {}
    for name, text in fields.items():
        key = name.removeprefix("setup-")
        if key == name or key not in SETUP:
            continue
        value = with_unit(plain(text, 200), SETUP_UNITS.get(key))
        if value != str(row.setup.get(key, "")):
            found[key] = value
    return found


def _measured(row: PassRow, fields: Mapping[str, str]) -> dict[str, str]:
    found = {}
    for name, text in fields.items():
        key = name.removeprefix("measured-")
        if key == name or key not in MEASURED:
            continue
        value = with_unit(plain(text, 60), MEASURED_UNITS.get(key))
        if value != row.measured.get(key, ""):
            found[key] = value
    return found


def day_corrections(row: SessionRow, fields: Mapping[str, str], courses: Collection[int]) -> Corrections:
    """What differs from the day as kept: name, date, car, course, weather."""
    told: dict[str, str | None] = {"name": None, "date": None, "car": None}
    for name in told:
        if name in fields and plain(fields[name], 200) != (getattr(row, name) or ""):
            told[name] = plain(fields[name], 200)
    course = fields.get("course", "")
    chosen = int(course) if course.isdecimal() and course.isascii() and int(course) in courses else 0
    return Corrections(
        session_name=told["name"], date=told["date"], car=told["car"],
        course_id=chosen if "course" in fields and chosen != (row.course_id or 0) else None,
        session_weather=weather(row.weather, fields),
    )  # fmt: skip


def weather(kept: Mapping[str, str], fields: Mapping[str, str]) -> dict[str, str]:
    """What differs in the weather of a day; "" takes a value out."""
    found = {}
    for name, text in fields.items():
        key = name.removeprefix("weather-")
        if key == name or key not in WEATHER_UNITS:
            continue
        value = with_unit(plain(text, 100), WEATHER_UNITS[key])
        if value != kept.get(key, ""):
            found[key] = value
    return found
