"""The accuracy benchmark's further tables, all from the same passes: coverage, verdicts, wheel logs, lags."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from speedlog.demo.noise import Array
from tests.benchmarks.wilson import wilson_percent

Row = dict[str, Any]
Passes = Sequence[dict[str, Any]]
NAN = float("nan")
_SHARES = dict.fromkeys(("95 %", "from", "to", "peak 95 %", "peak from", "peak to", "right", "told %"), 1)
_FINE = {"offset ms": 1, "offset bias ms": 1, "worst ms": 1, "lag 95 %": 1}


def further(passes: Passes, names: Sequence[str]) -> list[tuple[str, str, list[Row], dict[str, int]]]:
    """(name, heading, rows, digits) of each table that has rows."""
    found = [
        ("coverage", "how often the intervals hold the truth, %, with Wilson's 95 % interval; widths: medians, m/s",
         coverage_table(passes, names), _SHARES),
        ("verdicts", "verdicts, % right; told: mis-keyed figures doubted, of those over a logger's sight",
         verdict_table(passes, names), _SHARES),
        ("wheels", "wheel logs: clock offset at mid-trap, ms; corrected speed in the trap, m/s",
         wheel_table(passes, names), _FINE),
        ("lags", "lagging loggers: error of the lag, s; prompt: what is said of those beside them that don't lag",
         lag_table(passes, names), _FINE),
    ]  # fmt: skip
    return [item for item in found if item[2]]


def coverage_table(passes: Passes, names: Sequence[str]) -> list[Row]:
    """A row a family: coverage of the trap's and the peak's interval."""
    rows = []
    for name in names:
        good = [item for item in passes if item["family"] == name and "failed" not in item]
        peaks = [item for item in good if item["peak_interval"]]
        rows.append(
            {"family": name, "passes": len(good)}
            | _held("", [(item["interval"], item["true"]) for item in good])
            | _held("peak ", [(item["peak_interval"], item["peak_true"]) for item in peaks])
        )
    return rows


def _held(prefix: str, pairs: Sequence[tuple[Sequence[float], float]]) -> Row:
    held = sum(low <= true <= high for (low, high), true in pairs)
    low, high = wilson_percent(held, len(pairs))
    widths = [high - low for (low, high), _ in pairs]
    return {
        f"{prefix}95 %": 100.0 * held / len(pairs) if pairs else NAN, f"{prefix}from": low, f"{prefix}to": high,
        f"{prefix}width": float(np.median(widths)) if widths else NAN,
    }  # fmt: skip


def verdict_table(passes: Passes, names: Sequence[str]) -> list[Row]:
    """A row a family: share of right verdicts, mis-keyed figures recognised, and what was said wrongly.

    A pass that failed has no verdict: it counts as wrong.
    """
    rows = []
    for name in names:
        own = [item for item in passes if item["family"] == name]
        wrong = [item for item in own if item.get("verdict") not in item["expected"]]
        low, high = wilson_percent(len(own) - len(wrong), len(own))
        due = [item for item in own if item["doubt_due"] and "miskeyed" in item]
        told = sum(item["miskeyed"] == "trap_figure_doubtful" for item in due)
        rows.append(
            {
                "family": name, "passes": len(own), "right": 100.0 * (1 - len(wrong) / len(own)) if own else NAN,
                "from": low, "to": high, "mis-keyed": len(due), "told": told,
                "told %": 100.0 * told / len(due) if due else NAN, "wrong: right code > said": _most(wrong),
            }
        )  # fmt: skip
    return rows


def _most(wrong: Passes) -> str:
    count = Counter(f"{'/'.join(item['expected'])} > {item.get('verdict')}" for item in wrong)
    return "; ".join(f"{number} {text}" for text, number in count.most_common(3)) or "none"


def wheel_table(passes: Passes, names: Sequence[str]) -> list[Row]:
    """A row a family with wheel logs: clock offset (ms) and corrected speed in the trap (m/s)."""
    rows = []
    for name in names:
        own = [item["wheel"] for item in passes if item["family"] == name and item.get("wheel") is not None]
        if not own:
            continue
        offset = np.array([one["offset_ms"] for one in own if "offset_ms" in one])
        speed = np.array([one["speed_mps"] for one in own if "speed_mps" in one])
        rows.append(
            {"family": name, "wheel logs": len(own), "aligned": len(offset)}
            | {"offset ms": rms(offset), "offset bias ms": mean(offset), "worst ms": worst(offset)}
            | {"in the trap": len(speed), "wheel m/s": rms(speed), "wheel bias": mean(speed)}
        )
    return rows


def lag_table(passes: Passes, names: Sequence[str]) -> list[Row]:
    """A row a family with lagging loggers: those that lag, how many the program tells, its error (s).

    `lag 95 %`: how often 1.96 times its standard uncertainty holds the truth. `prompt s`: the same error for
    the loggers beside them that do not lag.
    """
    rows = []
    for name in names:
        own = [lag for item in passes if item["family"] == name for lag in item.get("lags", ())]
        late = [lag for lag in own if lag["true"] > 0]
        if not late:
            continue
        told = [lag for lag in late if lag["lag"] is not None]
        error = np.array([lag["lag"] - lag["true"] for lag in told])
        held = [abs(lag["lag"] - lag["true"]) <= 1.96 * lag["u"] for lag in told if lag["u"] is not None]
        prompt = np.array([lag["lag"] for lag in own if lag["true"] == 0 and lag["lag"] is not None])
        rows.append(
            {"family": name, "lagging": len(late), "told": len(told), "lag s": rms(error)}
            | {"bias s": mean(error), "lag 95 %": 100.0 * float(np.mean(held)) if held else NAN}
            | {"prompt s": rms(prompt)}
        )
    return rows


def rms(values: Array) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else NAN


def mean(values: Array) -> float:
    return float(np.mean(values)) if len(values) else NAN


def worst(values: Array) -> float:
    return float(np.max(np.abs(values))) if len(values) else NAN
