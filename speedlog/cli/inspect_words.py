"""What `speedlog inspect` says of a file, in lines for a terminal: from the findings of the JSON alone."""

from __future__ import annotations

import datetime as dt
import textwrap
from typing import TYPE_CHECKING, Any

from speedlog.cli.inspect_at import UNITS, WIDTH, trace_words
from speedlog.errors import plain

if TYPE_CHECKING:
    from speedlog.units import Unit

_MOST_REJECTS = 5
_MOST_FAULTS = 12
_MOST_PASSES = 6


def in_words(item: dict[str, Any]) -> str:
    """A file's findings; with `--at`, the epoch's alone."""
    head = _head(item)
    if "at" in item:
        return "\n".join([head, *trace_words(item["at"])])
    lines = [head, *_time(item), *_top(item), *_rate(item), *_columns(item), *_fix(item), *_passes(item)]
    faults = item["faults"]
    lines += _said("fault", [fault["detail"] for fault in faults[:_MOST_FAULTS]])
    if len(faults) > _MOST_FAULTS:
        lines.append(f"  … and {len(faults) - _MOST_FAULTS} more faults (all in the JSON)")
    lines += _said("warning", item["warnings"])
    rejects = item["rejects"][:_MOST_REJECTS]
    lines += _said("rejected", [_reject(no) for no in rejects])
    if item["rejected"] > len(rejects):
        lines.append(f"  … and {item['rejected'] - len(rejects)} more rejected (20 in the JSON)")
    lines += _said("use", item["uses"])
    if "suits" in item:
        lines += _suits(item["suits"])
    return "\n".join(lines)


def _said(label: str, texts: list[str]) -> list[str]:
    """ "  label: text", wrapped."""
    return [line for text in texts for line in _wrapped(f"  {label}: {plain(text, 400)}")]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent="    ", break_on_hyphens=False)


def _reject(item: dict[str, Any]) -> str:
    where = f"line {item['line']}: " if item["line"] else ""
    return f"{where}{plain(item['reason'], 160)}"


def _head(item: dict[str, Any]) -> str:
    rate = f"{item['rate_hz']:.3g} Hz" if item["rate_hz"] else "rate unknown"
    return (
        f"{plain(item['file'])}: {item['format']}, {item['samples']} samples at {rate}, "
        f"{item['valid_samples']} with a sound position, {item['rejected']} rejected"
    )


def _time(item: dict[str, Any]) -> list[str]:
    """From the first to the last epoch with a sound position (without positions: of all)."""
    start, end, clock = item["start_utc"], item["end_utc"], item["clock"]
    if start is None or end is None:
        return []
    span_s = (dt.datetime.fromisoformat(end) - dt.datetime.fromisoformat(start)).total_seconds()
    first, last = (f"{text[:10]} {text[11:23].rstrip('Z')}" for text in (start, end))
    shown = f"{first} to {last[11:] if first[:10] == last[:10] else last} UTC"
    if clock == "elapsed":
        shown = f"{item['first_s']:.3f} to {item['last_s']:.3f} s of its own clock"
        span_s = item["span_s"]
    elif clock == "time_of_day":
        shown = f"{first[11:]} to {last[11:]} UTC, no date"
    source = item["time_source"]
    if source and source["unit_from"] == "the standard":
        source = source | {"unit_from": ""}
    return _wrapped(f"  time: {shown} ({_span(span_s)}){f'; from {_origin(source)}' if source else ''}")


def _span(span_s: float) -> str:
    if span_s < 600:
        return f"{_brief(span_s) if span_s < 1 else f'{span_s:.1f}'} s"
    if span_s < 36_000:
        return f"{span_s / 60:.1f} min"
    return f"{span_s / 3600:.1f} h" if span_s < 360_000 else f"{span_s / 86_400:.0f} days"


def _top(item: dict[str, Any]) -> list[str]:
    from speedlog.units import find_unit

    mph, kmh, top = find_unit("mph", "speed"), find_unit("km/h", "speed"), item["max_speed_mps"]
    if top is None or mph is None or kmh is None:
        return []
    return [f"  highest reading: {mph.from_si(top):.1f} mph, {kmh.from_si(top):.1f} km/h, {top:.2f} m/s"]


def _rate(item: dict[str, Any]) -> list[str]:
    rate = item["rate"]
    if rate is None:
        return []
    jitter_ms = rate["jitter_s"] * 1e3
    near = f"95 of 100 within {_brief(jitter_ms)} ms of that" if jitter_ms else "evenly"
    text = f"  epochs: one every {_brief(rate['interval_s'])} s, {near}"
    if rate["pauses"]:
        text += (
            f"; {rate['pauses']} pause{'s' * (rate['pauses'] != 1)}, the longest {_brief(rate['longest_s'])} s "
            f"({rate['missing']} epochs would fit in)"
        )
    return _wrapped(text)


def _brief(value: float) -> str:
    return f"{value:.3g}" if value < 1000 else f"{value:.0f}"


def _columns(item: dict[str, Any]) -> list[str]:
    """A line a column: its range, the share of epochs without it, where it comes from."""
    rows = [("columns:", "lowest", "highest", "missing")]
    origins = ["from, unit there (who says so)"]
    for column in item["column_table"]:
        unit = UNITS.get(column["name"], "")
        low, high = (_value(column["name"], column[end], unit) for end in ("low", "high"))
        rows.append((column["name"], low, high, _share(column["missing"])))
        origins.append(_origin(column))
    wide = [max(len(row[at]) for row in rows) for at in range(4)]
    lines = []
    for row, origin in zip(rows, origins, strict=True):
        indent, name = (2, wide[0] + 2) if row is rows[0] else (4, wide[0])
        numbers = "  ".join(f"{row[at]:>{wide[at]}}" for at in (1, 2, 3))
        line = f"{'':{indent}}{row[0]:<{name}}  {numbers}"
        whole = f"{line}  {origin}".rstrip()
        lines += [whole] if len(whole) <= WIDTH else [line, *_wrapped(f"        {origin}")]
    return lines


def _origin(column: dict[str, Any]) -> str:
    """'column 4 "Speed": km/h (a GUESS: it agrees with the positions)'."""
    who = column["unit_from"].replace("a guess", "a GUESS")
    unit = f": {column['unit']}" if column["unit"] else ""
    return f"{plain(column['source'], 60)}{unit}{f' ({who})' if who else ''}"


def _value(name: str, value: float | None, unit: str) -> str:
    if value is None:
        return "-"
    number = f"{value:.5f}" if name in ("lat_deg", "lon_deg") else f"{value:.5g}"
    return f"{number} {unit}".rstrip()


def _share(share: float) -> str:
    if share in (0.0, 1.0):
        return f"{share * 100:.0f} %"
    return "<0.1 %" if share < 0.001 else f"{share * 100:.1f} %"


def _fix(item: dict[str, Any]) -> list[str]:
    strip = item["fix_strip"]
    if strip is None:
        return []
    said = "; ".join(f"{mark} = {words}" for mark, words in strip["legend"].items())
    step_s = strip["step_s"]
    step = f"{_brief(step_s)} s" if step_s < 600 else _span(step_s)
    return [f"  fix: {strip['text']}", *_wrapped(f"       {said}; each character the worst of {step}")]


def _passes(item: dict[str, Any]) -> list[str]:
    from speedlog.units import find_unit

    passes, mph = item["passes"], find_unit("mph", "speed")
    if not passes or mph is None:
        return []
    shown = [
        f"{one['start_utc'][11:19]} to {one['end_utc'][11:19]}{_pass_top(one, mph)}"
        for one in passes[:_MOST_PASSES]
    ]
    more = f"; and {len(passes) - _MOST_PASSES} more" if len(passes) > _MOST_PASSES else ""
    return _wrapped(f"  passes in it: {len(passes)} ({'; '.join(shown)}{more})")


def _pass_top(one: dict[str, Any], mph: Unit) -> str:
    top = one["highest_reading_mps"]
    return "" if top is None else f", highest reading {mph.from_si(top):.1f} mph"


def _suits(asked: dict[str, Any]) -> list[str]:
    assumed = (
        f" (No trap length was given: {asked['trap_length_m']:g} m taken.)"
        if asked["trap_length_assumed"]
        else ""
    )
    return [*(f"  {finding['text']}" for finding in asked["findings"]), f"  {asked['text']}{assumed}"]
