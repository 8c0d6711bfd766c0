"""Whether intervals are as wide as each pass asks for: coverage where they are narrow and where they are wide.

An interval of one width for all passes can hold 95 in 100 on average and still be wrong on every pass.
Sorted by their own stated width, a family's passes must be covered alike in each third (calibration in
classes of the predicted spread: Levi et al., Sensors 22 (2022) 5540).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

THIRDS = ("narrow", "middle", "wide")
DIGITS = {f"{third} {what}": digits for third in THIRDS for what, digits in (("95 %", 1), ("z", 2))}


def by_width(passes: Sequence[Mapping[str, Any]], names: Sequence[str]) -> list[dict[str, Any]]:
    """A row a family: of each third by stated width, its median width [m/s], coverage, and z.

    z is the root mean square of the error over the sd that the interval states (its width / 3.92): 1 if honest.
    """
    rows = []
    for name in names:
        good = [item for item in passes if item["family"] == name and len(item.get("interval") or ()) == 2]
        row: dict[str, Any] = {"family": name, "passes": len(good)}
        order = sorted(good, key=lambda item: item["interval"][1] - item["interval"][0])
        for third, part in zip(THIRDS, np.array_split(np.arange(len(order)), 3), strict=True):
            row |= _third(third, [order[i] for i in part])
        rows.append(row)
    return rows


def _third(third: str, part: Sequence[Mapping[str, Any]]) -> dict[str, float]:
    if not part:
        return {f"{third} {what}": float("nan") for what in ("width", "95 %", "z")}
    low, high = np.array([item["interval"] for item in part], dtype=float).T
    true, found = (np.array([item[key] for item in part], dtype=float) for key in ("true", "speedlog"))
    return {
        f"{third} width": float(np.median(high - low)),
        f"{third} 95 %": 100 * float(np.mean((low <= true) & (true <= high))),
        f"{third} z": float(np.sqrt(np.mean(((found - true) / ((high - low) / 3.92)) ** 2))),
    }
