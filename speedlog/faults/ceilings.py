"""Where readings may stop by themselves: limits of number fields, and numbers too round to be chance.

A field runs full at the largest number it can hold: 2^8 - 1 in 8 bits, 2^16 - 1 in 16 (2^15 - 1 where one
is kept for the sign), all nines in digits. That is arithmetic, and says nothing of any one logger.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from speedlog.settings import FaultSettings
from speedlog.units import find_unit

_UNITS = ("km/h", "mph", "kn", "m/s")
_NINES = ("99", "999", "9999", "199", "1999")  # displays of "three and a half digits" lead with a 1
_PARTS = {0: "", 1: "tenths of ", 2: "hundredths of ", 3: "thousandths of "}
_EXACT = 1e-6  # share: beyond the arithmetic of conversions, below any text's last digit


@dataclass(frozen=True)
class Limit:
    """A speed at which readings may stop.

    Attributes:
        number: as text, in `unit`.
        why: what ends there, to be read after "number unit, ".
    """

    number: str
    unit: str
    why: str

    @property
    def speed_mps(self) -> float:
        unit = find_unit(self.unit, "speed")
        assert unit is not None, self.unit
        return unit.to_si(float(self.number))

    def __str__(self) -> str:
        return f"{self.number} {self.unit}, {self.why}"


# The speeds are those of settings.ceilings_mps; sources: references.md topic 5 (2^16 - 1 and 2^8 - 1 by
# arithmetic; the 100 m/s of receivers' settings for ground and slow air use as quoted there).
KNOWN: tuple[Limit, ...] = (
    Limit("65.535", "m/s", "the most that a 16-bit number of millimetres a second can hold"),
    Limit("255", "km/h", "the most that an 8-bit number of km/h can hold"),
    Limit("99.9", "kn", "the most that three digits can show"),
    Limit("100", "m/s", "where some receivers stop in their settings for ground use"),
    Limit("655.35", "km/h", "the most that a 16-bit number of hundredths of a km/h can hold"),
)


def known_limit(speed_mps: float, within_mps: float, settings: FaultSettings) -> Limit | None:
    """The known limit within so much of a speed, the nearest one; None where there is none."""
    near = [
        item
        for item in KNOWN
        if abs(item.speed_mps - speed_mps) <= within_mps
        and any(abs(item.speed_mps - value) < _EXACT for value in settings.ceilings_mps)
    ]
    return min(near, key=lambda item: abs(item.speed_mps - speed_mps), default=None)


def known_limits_between(low_mps: float, high_mps: float, settings: FaultSettings) -> tuple[Limit, ...]:
    """The known limits above `low_mps` and up to `high_mps`, slowest first."""
    found = (known_limit(value, _EXACT, settings) for value in settings.ceilings_mps)
    inside = [item for item in found if item is not None and low_mps < item.speed_mps <= high_mps]
    return tuple(sorted(inside, key=lambda item: item.speed_mps))


def round_limit(speed_mps: float, step_mps: float, settings: FaultSettings) -> Limit | None:
    """A number too round for chance in some unit, or one that fills a field; None where there is none.

    Args:
        speed_mps: where the readings stop.
        step_mps: of the log's text. In the log's own unit the number is exact; in another it was rounded
            to a step, and only a fine one tells anything.
    """
    for symbol in _UNITS:
        unit = find_unit(symbol, "speed")
        assert unit is not None, symbol
        value, step = unit.from_si(speed_mps), step_mps / unit.factor
        rounded = 0.5 * step if step <= settings.ceiling_round_step else 0.0
        for text, why in _candidates(value, settings):
            if abs(float(text) - value) <= max(rounded, _EXACT * value):
                return Limit(text, symbol, why.format(unit=_one_of(symbol)))
    return None


def _candidates(value: float, settings: FaultSettings) -> Iterable[tuple[str, str]]:
    """Numbers worth a look, each with its words: fields first, as they say more than roundness."""
    for bits, words in ((8, "an 8-bit number"), (15, "a signed 16-bit number"), (16, "a 16-bit number")):
        for places, part in _PARTS.items():
            # a field of 8 bits for parts of a unit would end at walking pace
            if bits > 8 or places == 0:
                yield (
                    f"{(2**bits - 1) / 10**places:.{places}f}",
                    f"just what {words} of {part}{{unit}} can hold",
                )
    for digits in _NINES:
        for places in range(1, len(digits)):
            yield f"{int(digits) / 10**places:.{places}f}", "just where its digits may end"
        yield digits, "just where its digits may end"
    step = settings.ceiling_round
    nearest = step * round(value / step)
    if nearest > 0:
        yield f"{nearest:g}", "a round number"


def _one_of(symbol: str) -> str:
    return f"a {symbol}" if symbol != "m/s" else "a metre a second"
