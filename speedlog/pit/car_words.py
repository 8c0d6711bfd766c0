"""Heat and sag against the pass before, a short sentence each; nothing where the logs don't tell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

Found = Mapping[str, Any] | None


def car_words(now: Found, before: Found, before_name: str) -> tuple[str, ...]:
    """Sentences from the car's part of two reviews.

    Args:
        now, before: `CarPass.as_json` of this pass and of the one before; None where there is none.
        before_name: "pass 8".
    """
    if not now:
        return ()
    made = [
        _heat(now, before, before_name),
        _level(now, before, before_name, ("heat", "motor_temp_highest_c"), "Motor", "°C", 0),
        _level(now, before, before_name, ("heat", "controller_temp_highest_c"), "Speed controller", "°C", 0),
        _level(now, before, before_name, ("pack", "sag_v"), "Pack sagged", "V", 1),
        _level(now, before, before_name, ("pack", "lowest_cell_v"), "Lowest cell", "V", 2),
    ]
    cautions = [str(item["text"]) for item in now.get("cautions") or ()]
    return (*(text for text in made if text), *cautions)


def _heat(now: Mapping[str, Any], before: Found, name: str) -> str:
    """∫I² dt, with which the heat in a resistance goes, as a share of the last."""
    mine, other = _value(now, "heat", "squared_a2s"), _value(before, "heat", "squared_a2s")
    if mine is None or not other:
        return ""
    share = round(100 * (mine / other - 1))
    if share == 0:
        return f"Current heat as on {name}."
    return f"Current heat {abs(share)} % {'above' if share > 0 else 'below'} {name}."


def _level(
    now: Mapping[str, Any], before: Found, name: str, place: tuple[str, str], what: str, unit: str, digits: int
) -> str:  # fmt: skip
    mine, other = _value(now, *place), _value(before, *place)
    if mine is None:
        return ""
    text = f"{what} {mine:.{digits}f}\u00a0{unit}"
    if other is None:
        return f"{text}."
    more = round(mine - other, digits)
    if more == 0:
        return f"{text}, as on {name}."
    return f"{text}, {abs(more):.{digits}f}\u00a0{unit} {'more' if more > 0 else 'less'} than {name}."


def _value(found: Found, part: str, key: str) -> float | None:
    quantity = ((found or {}).get(part) or {}).get(key)
    return None if quantity is None or quantity["value"] is None else float(quantity["value"])
