"""Speeds on a page: written in one unit, carrying metres per second, so that a switch can rewrite them.

A sentence holds its speeds as tokens and not as text: "{mps:83.82}" becomes "187.5 mph",
"{num:83.82}" the number alone and "{dif:-0.4}" the number with its sign. The page turns tokens into
elements with `data-mps`; the script reads the same tokens in the charts' own texts.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from markupsafe import Markup, escape

from speedlog.errors import SpeedlogError, plain
from speedlog.units import Unit, find_unit

# Digits as timekeepers read them out; in m/s one more, as its step is 2 to 4 times larger.
DIGITS: Mapping[str, int] = MappingProxyType({"mph": 1, "km/h": 1, "m/s": 2})
_TOKEN = re.compile(r"\{(mps|num|dif):(-?\d+(?:\.\d+)?)(?:\|([^|{}]*)\|([^|{}]*))?\}")
_SPOKEN = re.compile(
    r"(?<![\w.])(?P<first>\d+(?:\.\d+)?)(?:(?P<middle>\s*(?:to|and|–|±)\s*)(?P<second>\d+(?:\.\d+)?))?"
    r"\s(?P<unit>mph|km/h|m/s)(?![²\w/^])"
)


def speed_unit(symbol: str) -> Unit:
    """One of the three units of the page.

    Raises:
        SpeedlogError: any other unit.
    """
    unit = find_unit(symbol, "speed")
    if unit is None or unit.symbol not in DIGITS:
        raise SpeedlogError(
            f'unit: "{plain(symbol)}" is not a unit of the page', todo="Take mph, km/h or m/s."
        )
    return unit


def mps(value: float, given: tuple[str, str] | None = None) -> str:
    """Token of a speed with its unit; `given` is the number as it was given, and its unit."""
    return f"{{mps:{value:.4f}{_given(given)}}}"


def num(value: float, given: tuple[str, str] | None = None) -> str:
    """Token of a speed without its unit."""
    return f"{{num:{value:.4f}{_given(given)}}}"


def dif(value: float) -> str:
    """Token of a difference of speeds, with its sign and unit."""
    return f"{{dif:{value:.4f}}}"


def _given(given: tuple[str, str] | None) -> str:
    return f"|{given[0]}|{given[1]}" if given else ""


def with_tokens(sentence: str) -> str:
    """A finished sentence ("… at 187.5 mph") with its speeds made into tokens that keep the digits.

    A speed that stands in brackets because it is in another unit ("158.4 mph (255 km/h)": what the
    logger itself counts in) stays as it is written.
    """
    last = ""

    def token(found: re.Match[str]) -> str:
        nonlocal last
        unit = speed_unit(found["unit"])
        before, last = last, unit.symbol
        if sentence[: found.start()].endswith("(") and before not in ("", unit.symbol):
            return found[0]

        def one(text: str, make: str) -> str:
            return f"{{{make}:{unit.to_si(float(text)):.5f}|{text}|{unit.symbol}}}"

        if found["second"] is None:
            return one(found["first"], "mps")
        middle = "\u00a0±\u00a0" if "±" in found["middle"] else found["middle"]
        return one(found["first"], "num") + middle + one(found["second"], "mps")

    return _SPOKEN.sub(token, sentence)


def write_number(value_mps: float, unit: Unit, *, signed: bool = False) -> str:
    """A speed in a unit, with the unit's digits and a true minus sign."""
    number = round(unit.from_si(value_mps), DIGITS[unit.symbol])
    text = f"{abs(number):.{DIGITS[unit.symbol]}f}"
    sign = "−" if number < 0 else "+" if signed and number > 0 else ""
    return sign + text


def as_text(sentence: str, unit: Unit) -> str:
    """The sentence with its tokens written out in `unit`."""
    return _TOKEN.sub(lambda found: _shown(found, unit) + _tail(found, unit), sentence)


def as_html(sentence: str, unit: Unit) -> Markup:
    """The sentence escaped, each token an element that carries its metres per second."""
    parts, end = [], 0
    for found in _TOKEN.finditer(sentence):
        parts += [escape(sentence[end : found.start()]), _element(found, unit)]
        end = found.end()
    return Markup("").join([*parts, escape(sentence[end:])])


def _shown(found: re.Match[str], unit: Unit) -> str:
    kind, value, given, given_unit = found.groups()
    if given is not None and given_unit == unit.symbol:
        return str(given)
    return write_number(float(value), unit, signed=kind == "dif")


def _tail(found: re.Match[str], unit: Unit) -> str:
    return "" if found[1] == "num" else f"\u00a0{unit.symbol}"


def _element(found: re.Match[str], unit: Unit) -> Markup:
    kind, value, given, given_unit = found.groups()
    more = Markup("")
    if given is not None:
        more = Markup(' data-given="{}" data-given-unit="{}"').format(given, given_unit)
    if kind == "dif":
        more += Markup(" data-signed")
    number = Markup('<span class="n" data-mps="{}"{}>{}</span>').format(value, more, _shown(found, unit))
    if kind == "num":
        return number
    return number + Markup('\u00a0<span class="u" data-unit>{}</span>').format(unit.symbol)
