"""A forecast as a terminal shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from speedlog.cli.season_text import aligned
from speedlog.errors import plain
from speedlog.report import forecast_words as words
from speedlog.report.numbers import as_text, mps, write_number

if TYPE_CHECKING:
    from speedlog.units import Unit
    from speedlog.vehicle.target import Told

_SWEEP_ROWS = 11


def in_words(found: Told, unit: Unit) -> str:
    """The forecast for a terminal: what was not checked comes first."""
    parts = [plain(words.checked(found.told, found.known), 1000), _plan_line(found)]
    table = [[label, as_text(text, unit)] for label, text in words.rows(found.told, found.known.makers)]
    parts.append("\n".join(f"  {line}" for line in aligned(table).splitlines()))
    if found.target_mps is not None:
        target = as_text(f"To reach {mps(found.target_mps)}", unit)
        told = [as_text(words.way(item, found.target_mps, found.known), unit) for item in found.ways]
        parts.append("\n".join([f"{target}, one thing at a time:", *(f"  {line}" for line in told)]))
    if found.swept is not None:
        parts.append(_sweep(found, unit))
    parts.append(plain(words.fitted_line(found.known), 1000))
    parts += [f"Taken: {text}." for text in words.assumed(found.known)]
    parts.append(words.CAUTION)
    return "\n\n".join(parts)


def _plan_line(found: Told) -> str:
    plan = found.told.plan
    car = found.known.car
    limit = plan.set.get("pack_limit_a", car.pack_limit_a)
    gear = plan.set.get("gear_ratio", car.gear_ratio)
    ramp = plan.set.get("ramp_s", car.ramp_s)
    wind = "head" if plan.head_mps >= 0 else "tail"
    name = f"{plain(found.name, 60)}: " if found.name else ""
    return (
        f"{name}run-up {plan.run_up_m:.0f} m, trap {plan.trap_m:g} m, current limit {limit:.0f} A, ramp {ramp:.1f} s, "
        f"gear {gear:g}, {wind} wind {abs(plan.head_mps):.1f} ± {2 * plan.head_u_mps:.1f} m/s at the car's height"
    )


def _sweep(found: Told, unit: Unit) -> str:
    swept = found.swept
    assert swept is not None
    last = len(swept.values) - 1
    shown = sorted({round(last * k / (_SWEEP_ROWS - 1)) for k in range(_SWEEP_ROWS)})  # both ends among them
    rows = [[swept.key.replace("_", " "), f"trap, {unit.symbol}", "95 %", "stops in, m", "95 %"]]
    for value, told in ((swept.values[k], swept.forecasts[k]) for k in shown):
        trap, stop = told.trap_mps, told.stopping
        cells = ["none", ""] if trap is None else [
            write_number(trap.value, unit), f"{write_number(trap.low, unit)} to {write_number(trap.high, unit)}",
        ]  # fmt: skip
        far = stop.distance_m
        late = " doesn't fit" if stop.fits is False else ""
        cells += (
            ["none", ""] if far is None else [f"{far.value:.0f}", f"{far.low:.0f} to {far.high:.0f}{late}"]
        )
        rows.append([words.setting(swept.key, value), *cells])
    room = swept.forecasts[0].stopping.room_m
    end = "Runway end not given." if room is None else f"The runway's end is {room:.0f} m after the trap."
    return f"{aligned(rows)}\n{end}"
