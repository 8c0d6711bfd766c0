"""The page of a forecast: one file that opens offline; the forecast's curve over those of the logged passes."""

from __future__ import annotations

import datetime as dt

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from speedlog import __version__
from speedlog.report import forecast_words as words
from speedlog.report.assets import environment, isolated, own
from speedlog.report.curves import safe_json
from speedlog.report.numbers import DIGITS, as_html, speed_unit, write_number
from speedlog.report.plain_chart import Frame, around, line, nice_step, speed_axis, text_at
from speedlog.report.wording import SAFETY
from speedlog.units import Unit
from speedlog.vehicle.fit import FittedPass
from speedlog.vehicle.plan import Known
from speedlog.vehicle.target import KNOBS, Told, value_of

Array = NDArray[np.float64]
_WIDE = 1000
_MOST = 5  # passes drawn: as many dashes as can be told apart
_LOST_S = 1.5  # between two readings: longer is a hole, also for a logger of one reading a second


def forecast_page(found: Told, *, unit: str, made: dt.datetime) -> str:
    """The whole page.

    Args:
        made: when the page is made, with its time zone.
    """
    if made.tzinfo is None:
        raise ValueError("the time of making needs a time zone")
    shown = speed_unit(unit)
    made_with = environment()
    made_with.filters |= {"speeds": lambda text: as_html(isolated(text), shown), "clean": isolated}
    units = [speed_unit(symbol) for symbol in DIGITS]
    curve = found.told.curve
    return made_with.get_template("forecast.html.j2").render(
        title=f"Forecast: {found.name}" if found.name else "Forecast",
        found=found,
        words=words,
        chart=None if curve is None else _run_chart(found, shown),
        strip=None if curve is None else _strip(curve.travel_m, curve.limit),
        sweep_chart=None if found.swept is None else _sweep_chart(found, shown),
        passes=[]
        if found.known.fitted is None
        else words.pass_names([item.observed.name for item in found.known.fitted.passes])[-_MOST:],
        unit=shown,
        units=units,
        unit_facts=safe_json({item.symbol: [item.factor, DIGITS[item.symbol]] for item in units}),
        write=write_number,
        safety=SAFETY[1:3],  # its first words stand on top, once; its last is of passes already made
        style=own("page.css"),
        more_style=own("season.css") + own("compare.css") + own("forecast.css"),
        script=own("units.js"),
        version=__version__,
        made=made.astimezone(dt.UTC).strftime("%Y-%m-%d %H:%M:%S UTC"),
    )


def _run_chart(found: Told, unit: Unit) -> dict[str, object]:
    """Speed over driven distance: the forecast with its band, and each pass it was fitted to."""
    curve = found.told.curve
    assert curve is not None
    passes = _passes(found.known)
    far = max(float(curve.travel_m[-1]), *(float(travel[-1]) for travel, _ in passes), 1.0)
    top = max(float(curve.high_mps.max()), *(float(np.nanmax(speed)) for _, speed in passes), 1.0)
    frame = Frame(0.0, far, 0.0, 1.06 * top, 340)
    axis, grid = speed_axis(frame, unit)
    shapes = [
        Markup('<path class="reach c0" d="{}"/>').format(
            _band(curve.travel_m, curve.low_mps, curve.high_mps, frame)
        )
    ]
    for place, (travel, speed) in enumerate(passes, start=1):
        shapes.append(Markup('<path class="curve c{}" d="{}"/>').format(place, _path(travel, speed, frame)))
    shapes.append(
        Markup('<path class="curve c0" d="{}"/>').format(_path(curve.travel_m, curve.speed_mps, frame))
    )
    plan = found.told.plan
    beams = Markup("").join(
        line(frame.x(at), frame.top_px, frame.x(at), frame.bottom_px, "beam")
        for at in (plan.run_up_m, plan.run_up_m + plan.trap_m)
    )
    return _drawn(frame, axis, grid + beams, shapes, _feet(frame, 1.0, "m"))


def _passes(known: Known) -> list[tuple[Array, Array]]:
    """Of each pass: where along the run-up, and the speed there as logged."""
    if known.fitted is None:
        return []
    return [logged(item) for item in known.fitted.passes[-_MOST:]]


def logged(item: FittedPass) -> tuple[Array, Array]:
    """(driven metres, speed) of the quietest logger of a pass; NaN where it lost the sky for a while.

    The fit tells where each reading was: the loggers' clocks and that of the motion are one.
    """
    speeds = [channel for channel in item.observed.channels if channel.kind == "speed"]
    best = min(speeds, key=lambda channel: float(channel.sd.mean()))
    lost = np.flatnonzero(np.diff(best.time_s) > _LOST_S) + 1
    travel = np.interp(best.time_s, item.time_s, item.travel_m)
    return np.insert(travel, lost, travel[lost]), np.insert(best.value, lost, np.nan)


def _sweep_chart(found: Told, unit: Unit) -> dict[str, object]:
    """Trap speed over what was swept, with its band; where the plan stands, and the target."""
    swept = found.swept
    assert swept is not None
    kept = [
        (value, told.trap_mps)
        for value, told in zip(swept.values, swept.forecasts, strict=True)
        if told.trap_mps
    ]
    if len(kept) < 2:
        return {}
    knob = KNOBS[swept.key]
    at = np.array([value for value, _ in kept])
    speed, low, high = (
        np.array([getattr(trap, name) for _, trap in kept]) for name in ("value", "low", "high")
    )
    frame = Frame(float(at[0]), float(at[-1]), *around([*low.tolist(), *high.tolist()]), 240)
    axis, grid = speed_axis(frame, unit)
    shapes = [
        Markup('<path class="reach c0" d="{}"/>').format(_band(at, low, high, frame)),
        Markup('<path class="curve c0" d="{}"/>').format(_path(at, speed, frame)),
    ]
    scale = 1000.0 if knob.symbol == "mm" else 1.0  # the axis in millimetres, as wheels are written
    marks = []
    now = value_of(found.known, found.told.plan, swept.key)
    if now is not None and frame.left < now < frame.right:
        marks.append(line(frame.x(now), frame.top_px, frame.x(now), frame.bottom_px, "here"))
    if found.target_mps is not None and frame.low_mps < found.target_mps < frame.high_mps:
        marks.append(line(0, frame.y(found.target_mps), 100, frame.y(found.target_mps), "aim"))
    return _drawn(frame, axis, grid + Markup("").join(marks), shapes, _feet(frame, scale, knob.symbol))


def _drawn(frame: Frame, axis: Markup, grid: Markup, shapes: list[Markup], feet: Markup) -> dict[str, object]:
    head = Markup(
        '<svg x="0" y="0" width="100%" height="{0}" viewBox="0 0 {1} {0}" preserveAspectRatio="none">'
    )
    stretched = head.format(frame.whole_px, _WIDE) + Markup("").join(shapes) + Markup("</svg>")
    area = Markup('<g class="grid">') + grid + Markup("</g>") + stretched + feet
    return {"axis": axis, "area": area, "height_px": frame.whole_px}


def _path(at: Array, speed: Array, frame: Frame) -> str:
    """A line; it is broken where the speed is NaN."""
    breaks = np.flatnonzero(np.isnan(speed))
    parts = zip(np.split(at, breaks), np.split(speed, breaks), strict=True)
    kept = [(place[np.isfinite(value)], value[np.isfinite(value)]) for place, value in parts]
    return "".join("M" + "L".join(_points(*part, frame)) for part in kept if len(part[0]))


def _points(at: Array, speed: Array, frame: Frame) -> list[str]:
    places = zip(at.tolist(), speed.tolist(), strict=True)
    return [f"{frame.x(x) * _WIDE / 100:.1f} {frame.y(v):.1f}" for x, v in places]


def _band(at: Array, low: Array, high: Array, frame: Frame) -> str:
    return "M" + "L".join([*_points(at, low, frame), *_points(at, high, frame)[::-1]]) + "Z"


def _feet(frame: Frame, scale: float, unit: str) -> Markup:
    """Places along the foot; the last one with its unit."""
    step = nice_step((frame.right - frame.left) * scale, 8) / scale
    first, last = int(np.ceil(frame.left / step)), int(np.floor(frame.right / step))
    parts = []
    shown = [k for k in range(first, last + 1) if 1 < frame.x(k * step) < 96]
    for k in shown:
        look = "date any" if (k - shown[-1]) % 2 == 0 else "date wide"
        text = f"{k * step * scale:g} {unit if k == shown[-1] else ''}".strip()
        parts.append(text_at(frame.x(k * step), frame.bottom_px + 20, text, look))
    return Markup("").join(parts)


def _strip(travel: Array, limit: tuple[str, ...]) -> list[dict[str, object]]:
    """What limits the car along the run-up: pieces in percent of the whole."""
    pieces: list[dict[str, object]] = []
    whole = max(float(travel[-1]), 1.0)
    start = 0
    for k in range(1, len(limit) + 1):
        if k < len(limit) and limit[k] == limit[start]:
            continue
        end = float(travel[min(k, len(travel) - 1)])
        share = 100 * (end - float(travel[start])) / whole
        name = words.LIMITS.get(limit[start], limit[start])
        if share > 0.5:
            pieces.append(
                {
                    "name": name,
                    "share": round(share, 2),
                    "start": round(float(travel[start])),
                    "end": round(end),
                }
            )
        start = k
    return pieces
