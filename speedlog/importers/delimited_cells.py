"""Cells to numbers in SI units, and the columns whose numbers need a second look."""

from __future__ import annotations

import re
from collections import Counter
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.importers.delimited_text import MISSING
from speedlog.samples import Fix
from speedlog.settings import ReadSettings
from speedlog.units import Kind, Unit, find_unit

Numbers = NDArray[np.float64]
_WITH_UNIT = re.compile(r"([+-]?\d[\d.,]*(?:[eE][+-]?\d+)?)\s*([^\d\s.,+-].*)$")

# IEC 61162-1 / NMEA 0183, GGA quality indicator; 1 says nothing of 2D or 3D
_QUALITY: dict[int, Fix | None] = {
    0: Fix.NONE, 1: None, 2: Fix.DIFFERENTIAL, 3: None, 4: Fix.RTK_FIXED,
    5: Fix.RTK_FLOAT,6: Fix.DEAD_RECKONED, 7: None, 8: Fix.NONE}  # fmt: skip
# NMEA 0183, GSA mode
_MODE: dict[int, Fix | None] = {0: Fix.NONE, 1: Fix.NONE, 2: Fix.TWO_D, 3: Fix.THREE_D, 4: Fix.DIFFERENTIAL}
_VALID: dict[int, Fix | None] = {0: Fix.NONE, 1: None}
_WORDS = {
    "none": Fix.NONE, "no": Fix.NONE, "nofix": Fix.NONE, "invalid": Fix.NONE, "v": Fix.NONE, "n":
    Fix.NONE, "void": Fix.NONE, "false": Fix.NONE, "notvalid": Fix.NONE, "2d": Fix.TWO_D, "2dfix":
    Fix.TWO_D, "fix2d": Fix.TWO_D, "3d": Fix.THREE_D, "3dfix": Fix.THREE_D, "fix3d": Fix.THREE_D,
    "differential": Fix.DIFFERENTIAL, "dgps": Fix.DIFFERENTIAL, "dgnss": Fix.DIFFERENTIAL, "sbas":
    Fix.DIFFERENTIAL, "3ddgps": Fix.DIFFERENTIAL, "d": Fix.DIFFERENTIAL, "rtk": Fix.RTK_FIXED,
    "rtkfixed": Fix.RTK_FIXED, "rtkfix": Fix.RTK_FIXED, "r": Fix.RTK_FIXED, "rtkfloat":
    Fix.RTK_FLOAT, "f": Fix.RTK_FLOAT, "deadreckoned": Fix.DEAD_RECKONED, "dr": Fix.DEAD_RECKONED,
    "deadreckoning": Fix.DEAD_RECKONED, "estimated": Fix.DEAD_RECKONED, "e": Fix.DEAD_RECKONED,
}  # fmt: skip


def to_numbers(column: pd.Series, decimal: str) -> tuple[Numbers, NDArray[np.bool_]]:
    """A column as numbers, NaN where a cell says nothing.

    Returns:
        ((N,) numbers, (N,) cells that say something that is no number).
    """
    if column.dtype.kind in "fiu":
        return column.to_numpy(dtype=float), np.zeros(len(column), dtype=bool)
    codes, found = pd.factorize(column)
    words = [_number(str(word), decimal) for word in found]
    numbers = np.array([np.nan if word is None else word for word in words] + [np.nan], dtype=float)
    broken = np.array([word is None for word in words] + [False], dtype=bool)
    return numbers[codes], broken[codes]


def _number(cell: str, decimal: str) -> float | None:
    """One cell: a number, NaN for a cell that says "no value", None for anything else."""
    text = cell.strip().strip("\"'").strip()
    if text.lower() in MISSING:
        return float("nan")
    found = _WITH_UNIT.match(text)
    text = found[1] if found and not re.match(r"[eE][+-]?\d", found[2]) else text
    if decimal == ",":
        text = text.replace(".", "").replace(",", ".") if "," in text else text
    elif "," in text:
        if not re.fullmatch(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d*)?", text):
            return None
        text = text.replace(",", "")
    text = text.replace("\u2212", "-")
    if not re.fullmatch(
        r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?|[+-]?inf(?:inity)?", text, re.IGNORECASE | re.ASCII
    ):
        return None
    return float(text)


def cell_unit(cells: list[str], kind: Kind) -> Unit | None:
    """The unit written in the cells themselves ("72.0 km/h"), where they agree on one."""
    said = Counter(found[2].strip() for cell in cells if (found := _WITH_UNIT.match(cell)))
    if not said or len(said) > 1 or said.total() < 0.9 * len(cells):
        return None
    return find_unit(next(iter(said)), kind)


def signs_of(cells: pd.Series) -> Numbers:
    """(N,) -1 where a cell ends in S or W ("53.1 S", or "W" in a column of its own), else 1."""
    letters = cells.astype(str).str.strip().str[-1:].str.upper()
    return np.where(letters.isin(["S", "W"]).to_numpy(dtype=bool), -1.0, 1.0)


def position_form(lat: Numbers) -> Literal["minutes", "1e-7", ""]:
    """How latitudes that can be no degrees are written; the longitudes beside them are written alike.

    NMEA 0183 writes degrees and minutes as one number, ddmm.mmmm; receivers' own logs count 1e-7 degrees.
    """
    size = np.abs(lat[np.isfinite(lat) & (lat != 0)])
    if not len(size) or np.mean(size <= 180.0) > 0.05:
        return ""
    if np.mean((size % 100 < 60) & (size < 9001)) > 0.95:
        return "minutes"
    return "1e-7" if np.all(size == np.round(size)) and np.mean(size <= 90e7) > 0.95 else ""


def degrees(values: Numbers, form: str) -> Numbers:
    """Degrees from numbers of a form that `position_form` names."""
    if form == "minutes":
        size = np.abs(values)
        with np.errstate(invalid="ignore"):  # of what is no finite number nothing is made
            return np.sign(values) * (size // 100 + size % 100 / 60)
    return values / 1e7 if form == "1e-7" else values


def fix_words(column: pd.Series, quality: bool, form: str | None) -> tuple[NDArray[Any], int]:
    """((N,) Fix or None, number of cells that were not understood)."""
    codes, found = pd.factorize(column)
    texts = [str(word).strip().lower() for word in found]
    numbers = [int(float(text)) if re.fullmatch(r"\d{1,2}(\.0+)?", text) else None for text in texts]
    there = {number for number in numbers if number is not None}
    table: dict[int, Fix | None]
    if form == "valid" or (form is None and not quality and there <= {0, 1}):
        table = _VALID
    else:
        table = _QUALITY if quality or form == "quality" else _MODE
    fixes: list[Fix | None] = []
    unread = np.zeros(len(texts) + 1, dtype=bool)
    for at, (text, number) in enumerate(zip(texts, numbers, strict=True)):
        plain_word = re.sub(r"[^a-z0-9]", "", text)
        known = (
            number in table
            if number is not None
            else (plain_word in _WORDS or plain_word in _SOUND or not plain_word)
        )
        unread[at] = not known
        fixes.append(table.get(number) if number is not None else _WORDS.get(plain_word))
    lookup = np.array([*fixes, None], dtype=object)
    return lookup[codes], int(unread[codes].sum())


_SOUND = frozenset(
    ["a", "valid", "true", "yes", "fix", "ok", "gps", "gnss", "pps", "autonomous", "nan", "na", "gpsfix"]
)


def throttle_share(
    values: Numbers, unit: Unit | None, low: float | None, high: float | None, settings: ReadSettings
) -> tuple[Numbers | None, str]:
    """Throttle from 0 to 1; and what was guessed, or "". None where its form can't be told."""
    if low is not None and high is not None:
        return (values - low) / (high - low), ""
    if unit is not None and unit.kind == "share":
        return values * unit.factor, ""
    known = values[np.isfinite(values)]
    if not len(known):
        return values, ""
    top, bottom = float(np.max(known)), float(np.min(known))
    pulse_low, pulse_high = settings.pulse_low_us, settings.pulse_high_us
    in_us = values * (unit.factor * 1e6 if unit is not None else 1.0)
    known = in_us[np.isfinite(in_us)]
    if unit is not None or (bottom >= 700 and top <= 2300):
        if np.mean((known >= 700) & (known <= 2300)) < 0.95:
            return None, ""
        share = (in_us - pulse_low) / (pulse_high - pulse_low)
        return np.clip(
            share, -1.0, 1.0
        ), f"is a pulse: {pulse_low:g} µs read as none and {pulse_high:g} µs as full"
    if bottom >= -1.0 and top <= 1.0:
        return values, "states no unit: read as a share from 0 to 1"
    if bottom >= -105 and top <= 105:
        return np.clip(values / 100, -1.0, 1.0), "states no unit: read as percent"
    return None, ""
