"""From the chosen columns' cells to values in SI units, with every guess reported."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.errors import plain
from speedlog.importers.delimited_cells import (
    Numbers,
    degrees,
    fix_words,
    position_form,
    signs_of,
    throttle_share,
    to_numbers,
)
from speedlog.importers.delimited_choose import Chosen
from speedlog.importers.delimited_speed import speed_ratio, step_lengths_m, unit_of_ratio
from speedlog.settings import ReadSettings
from speedlog.units import Unit

HINT = "--columns map.toml"
_FIRST_ROWS = 1000  # mostly enough to see one that says no


@dataclass(frozen=True)
class Use:
    """How a column of the file became one of the common table.

    Attributes:
        item: the column; `side`: that of its N/S or E/W.
        unit: of its numbers; `unit_from`: who says so.
        form: of a position ("minutes", "1e-7", ""), or what was guessed of a throttle.
    """

    item: Chosen
    unit: Unit | None
    unit_from: str
    form: str = ""
    side: Chosen | None = None


class Values:
    """Fills `found` with the columns of the common table, one call a kind of column.

    Args:
        table: (N, …) cells, by position in the file.
        line: (N,) line numbers.
        time_ns: (N,) times, for the speeds that positions show.
        decimal: "." or ",".
        settings: thresholds.
    """

    def __init__(
        self,
        table: pd.DataFrame,
        line: NDArray[np.int64],
        time_ns: NDArray[np.int64],
        decimal: str,
        settings: ReadSettings,
    ) -> None:
        self._table, self._line, self._time_ns = table, line, time_ns
        self._decimal, self._settings = decimal, settings
        self.found: dict[str, NDArray[Any]] = {}
        self.warnings: list[str] = []
        self.uses: dict[str, Use] = {}
        self.speed_unit: Unit | None = None

    def fill(self, chosen: dict[str, Chosen]) -> None:
        """All columns: positions first, since they tell the unit of a speed."""
        self._positions(chosen)
        for name, item in chosen.items():
            if name == "fix":
                self._fix(item)
            elif name == "throttle":
                self._throttle(item)
            elif name == "speed_mps":
                self._speed(item)
            elif name == "wheel_speed":
                self._say(item, "is a wheel's speed and no ground speed: left out")
            elif name not in ("lat_deg", "lon_deg", "x", "y", "lat_side", "lon_side", "speed_sd_mps"):
                unit, numbers = item.meaning.unit, self._numbers(item)
                self.found[name] = numbers if unit is None else _si(unit, numbers)
                self._use(name, item, unit)
        if "speed_sd_mps" in chosen:
            self._speed_sd(chosen["speed_sd_mps"])

    def used(self, chosen: dict[str, Chosen]) -> dict[str, Chosen]:
        """The chosen columns whose values were taken, by the column that they fill."""
        both = {
            "lat_deg": chosen.get("lat_deg", chosen.get("y")),
            "lon_deg": chosen.get("lon_deg", chosen.get("x")),
        }
        named = {name: item for name, item in (chosen | both).items() if item is not None}
        return {name: item for name, item in named.items() if name in self.found or name.endswith("_side")}

    def _use(self, name: str, item: Chosen, unit: Unit | None, unit_from: str = "", form: str = "") -> None:
        said = unit_from or (item.meaning.unit_from if unit is not None else "")
        self.uses[name] = Use(item, unit, said, form)

    def _say(self, item: Chosen, text: str) -> None:
        self.warnings.append(f'"{plain(item.header)}" {text}')

    def _numbers(self, item: Chosen) -> Numbers:
        numbers, broken = to_numbers(self._table[item.index], self._decimal)
        if broken.any():
            row = int(np.argmax(broken))
            cell = plain(self._table[item.index].iloc[row], 30)
            self._say(
                item,
                f'no number in {_rows(int(broken.sum()))}, left blank (line {self._line[row]}: "{cell}")',
            )
        return numbers

    def _positions(self, chosen: dict[str, Chosen]) -> None:
        lat_item, lon_item = chosen.get("lat_deg"), chosen.get("lon_deg")
        if lat_item is None and lon_item is None:
            self._plain_xy(chosen)
            return
        form = position_form(self._numbers(lat_item)) if lat_item is not None else ""
        if form:
            way = "degrees and minutes (ddmm.mmmm)" if form == "minutes" else "units of 0.0000001 degree"
            self.warnings.append(f"positions are read as {way}")
        for name, item in (("lat_deg", lat_item), ("lon_deg", lon_item)):
            if item is None:
                continue
            unit, numbers = item.meaning.unit, self._numbers(item)
            in_radians = unit is not None and unit.symbol == "rad"
            numbers = _si(unit, numbers) if unit is not None and in_radians else degrees(numbers, form)
            if self._table[item.index].dtype.kind not in "fiu":
                numbers = numbers * signs_of(self._table[item.index])
            side = chosen.get(name.replace("_deg", "_side"))
            if side is not None:
                signs = signs_of(self._table[side.index])
                numbers = np.where(signs < 0, -np.abs(numbers), numbers)
            self.found[name] = numbers
            self.uses[name] = Use(item, unit, item.meaning.unit_from if in_radians else "", form, side)
        self._swapped()

    def _swapped(self) -> None:
        """Latitudes all beyond 90 beside longitudes all within: the two headers were mistaken."""
        if not {"lat_deg", "lon_deg"} <= set(self.found):
            return
        lat, lon = self.found["lat_deg"], self.found["lon_deg"]
        if np.any(np.isfinite(lon[:_FIRST_ROWS]) & (np.abs(lat[:_FIRST_ROWS]) <= 90)):
            return
        both = np.isfinite(lat) & np.isfinite(lon)
        size, other = np.abs(lat[both]), np.abs(lon[both])
        if len(size) and size.min() > 90 and size.max() <= 180 and other.max() <= 90:
            self.found["lat_deg"], self.found["lon_deg"] = lon, lat
            uses = self.uses
            uses["lat_deg"], uses["lon_deg"] = uses["lon_deg"], uses["lat_deg"]
            self.warnings.append(
                "latitude and longitude are swapped in the file (latitudes beyond 90): put right"
            )

    def _plain_xy(self, chosen: dict[str, Chosen]) -> None:
        """Columns named only x and y are longitude and latitude where they can't well be anything else."""
        if "x" not in chosen or "y" not in chosen:
            return
        x, y = self._numbers(chosen["x"]), self._numbers(chosen["y"])
        known = np.isfinite(x) & np.isfinite(y)
        if known.sum() < 10 or np.abs(x[known]).max() > 180 or np.abs(y[known]).max() > 90:
            return
        fine = np.mean(np.abs(x[known] * 1e3 - np.round(x[known] * 1e3)) > 1e-6) > 0.5
        steps = step_lengths_m(y[known], x[known])
        if fine and np.mean(steps < self._settings.table_jump_m) > 0.99 and np.mean(steps > 0) > 0.1:
            self.found["lat_deg"], self.found["lon_deg"] = y, x
            self._use("lat_deg", chosen["y"], None)
            self._use("lon_deg", chosen["x"], None)
            told = '"x" and "y" are read as longitude and latitude, as their values and steps fit'
            self.warnings.append(f"{told}; {HINT} states it")

    def _speed(self, item: Chosen) -> None:
        readings, unit = self._numbers(item), item.meaning.unit
        sound = np.where(readings >= 0, readings, np.nan)
        ratio = None
        if {"lat_deg", "lon_deg"} <= set(self.found):
            ratio = speed_ratio(
                self._time_ns, self.found["lat_deg"], self.found["lon_deg"], sound, self._settings
            )
        seen = None if ratio is None else unit_of_ratio(ratio, self._settings)
        if unit is None:
            unit = seen
            if unit is None:
                why = (
                    "no positions of a moving car tell it"
                    if ratio is None
                    else f"{ratio:.3g} times the speed of the positions fits none"
                )
                state = f'[columns] speed_mps = {{ header = "{plain(item.header, 30)}", unit = "km/h" }}'
                self._say(
                    item, f"is left out: its unit is not stated, and {why}; state it: {HINT} with {state}"
                )
                return
            self._say(item, f"states no unit: read as {unit.symbol}, since that agrees with the positions")
        elif seen is not None and seen.symbol != unit.symbol and item.choice is None:
            self._say(item, f"says {unit.symbol}, but the positions agree with {seen.symbol}: check the unit")
        self.speed_unit = unit
        self.found["speed_mps"] = _si(unit, readings)
        stated = item.meaning.unit is not None
        self._use("speed_mps", item, unit, "" if stated else "a guess: it agrees with the positions")

    def _speed_sd(self, item: Chosen) -> None:
        unit = item.meaning.unit
        if unit is None:
            unit = self.speed_unit
            if unit is None:
                self._say(item, f"is left out: its unit is not stated ({HINT} states it)")
                return
            self._say(item, f"states no unit: read as {unit.symbol}, like the speed")
        self.found["speed_sd_mps"] = _si(unit, self._numbers(item))
        stated = item.meaning.unit is not None
        self._use("speed_sd_mps", item, unit, "" if stated else "a guess: like the speed")

    def _throttle(self, item: Chosen) -> None:
        low, high = (item.choice.low, item.choice.high) if item.choice else (None, None)
        share, told = throttle_share(self._numbers(item), item.meaning.unit, low, high, self._settings)
        if share is None:
            self._say(
                item, f"is left out: no percent, share or pulse length; {HINT} with low and high states it"
            )
            return
        if told:
            self._say(item, told)
        self.found["throttle"] = share
        said = "a guess: as its numbers fit" if told else "your mapping" if low is not None else ""
        self._use("throttle", item, item.meaning.unit, said, told)

    def _fix(self, item: Chosen) -> None:
        form = item.choice.form if item.choice else None
        words, unread = fix_words(self._table[item.index], "quality" in item.meaning.traits, form)
        if unread:
            self._say(item, f"has {unread} cells that name no known kind of fix, left blank")
        self.found["fix"] = words
        self._use("fix", item, None)


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def _si(unit: Unit, numbers: Numbers) -> Numbers:
    if unit.factor == 1.0 and unit.offset == 0.0:
        return numbers
    return (numbers + unit.offset) * unit.factor
