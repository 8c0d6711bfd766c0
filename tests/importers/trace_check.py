"""From the lines and words that a trace shows back to the values: written apart from the code under test."""

from __future__ import annotations

import math
import re

import pandas as pd

from speedlog.importers import ReadOptions, Source, detect
from speedlog.importers.trace import Became, EpochTrace, trace_epoch
from speedlog.samples import COLUMN_NAMES, Recording

_DAY_NS = 86_400_000_000_000


def check_epochs(source: Source, options: ReadOptions = ReadOptions(), most: int = 12) -> int:  # noqa: B008
    """Trace some epochs of a log and work each value out from what is shown; gives how many values."""
    recording: Recording = detect(source).read(source, options)
    index, values = recording.samples.index, 0
    for at in sorted({0, len(index) - 1, *range(0, len(index), max(1, len(index) // most))}):
        trace = trace_epoch(source, recording, index[at], options)
        sample = recording.samples.iloc[at]
        told = {item.column: item for item in trace.became}
        assert set(told) >= {"time", *(name for name in COLUMN_NAMES if not pd.isna(sample[name]))}
        shown = {line.number: line.text for line in trace.lines}
        for item in trace.became:
            for piece in item.pieces:
                assert piece.text in shown[piece.line], (piece, shown)
            if item.column == "time":
                _check_time(item, index[at], trace)
            elif pd.isna(sample[item.column]):
                assert "left" in item.how or "blank" in item.how or not any(p.text for p in item.pieces), item
            elif item.column != "fix":
                found = worked_out(item, shown)
                assert math.isclose(found, sample[item.column], rel_tol=1e-13, abs_tol=1e-13), (item, found)
                values += 1
    return values


def worked_out(item: Became, shown: dict[int, str]) -> float:
    """The value, by the words of `how` alone (C/N0: by the lines shown, which name the satellites)."""
    texts = [piece.text for piece in item.pieces]
    if "strongest four" in item.how:
        return _strongest(item, shown)
    if item.column in ("lat_deg", "lon_deg") and "minutes / 60" in item.how:
        point = texts[0].lstrip("+-").find(".") if "." in texts[0] else len(texts[0].lstrip("+-"))
        bare = texts[0].lstrip("+-")
        size = int(bare[: point - 2] or 0) + float(bare[point - 2 :]) / 60
        return -size if texts[0].startswith("-") or (len(texts) > 1 and texts[1] in "SW") else size
    number = float(re.match(r"[+-]?[\d.,]*(?:[eE][+-]?\d+)?", _plain(texts[0]))[0])  # type: ignore[index]
    if item.column in ("lat_deg", "lon_deg"):
        side = texts[1] if len(texts) > 1 else texts[0][-1:]
        number = -abs(number) if side and side[-1:].upper() in "SW" and side[-1:].isalpha() else number
    if item.column == "throttle" and "µs read as none" in item.how:
        low, high = (float(text) for text in re.findall(r"([\d.]+) µs", item.how))
        return min(max((number - low) / (high - low), -1.0), 1.0)
    if item.column == "throttle" and item.how == "read as percent":
        return number / 100
    if item.column == "track_deg" and "turned" in item.how:
        return number % 360
    return _by(item.how, number)


def _plain(text: str) -> str:
    text = text.strip().strip("\"'").replace("\u2212", "-")
    return text.replace(".", "").replace(",", ".") if "," in text else text


def _by(how: str, number: float) -> float:
    """ "km/h / 3.6", "°F (x - 32) / 1.8", "kn × 1852/3600", "K x - 273.15"."""
    shift = re.search(r"x ([+-]) ([\d.]+)", how)
    if shift:
        number += float(shift[1] + shift[2])
    scale = re.search(r"(?:^| )([×/]) ([\d.e-]+)(?:/(\d+))?(?:$|[,;])", how)
    if scale:
        factor = float(scale[2]) / float(scale[3] or 1)
        number = number * factor if scale[1] == "×" else number / factor
    return number


def _strongest(item: Became, shown: dict[int, str]) -> float:
    """By hand: of each satellite its strongest signal, then the mean of the four strongest."""
    best: dict[str, float] = {}
    for line in {piece.line for piece in item.pieces}:
        for talker, body in re.findall(r"\$(..)GSV,([^*$]*)", shown[line]):
            fields = body.split(",")
            for at in range(3, len(fields) - 3, 4):
                if fields[at + 3].isdigit() and fields[at + 3] != "00":
                    name = talker + fields[at]
                    best[name] = max(best.get(name, 0.0), float(fields[at + 3]))
    strongest = sorted(best.values(), reverse=True)[:4]
    return sum(strongest) / len(strongest)


def _check_time(item: Became, time: pd.Timestamp, trace: EpochTrace) -> None:
    if any("fractions" in note for note in trace.notes):
        return
    text = item.pieces[0].text if "hhmmss" in item.how and "RMC" in str(item.pieces) else item.pieces[-1].text
    if item.how.startswith("hhmmss"):
        text = item.pieces[0].text
        seconds = int(text[:2]) * 3600 + int(text[2:4]) * 60 + float(text[4:])
        assert abs((time.value % _DAY_NS) / 1e9 - seconds) < 1e-6
    elif re.fullmatch(r"\d{4}-\d\d-\d\d[T ][\d:.]+(Z|[+-]\d\d:?\d\d)?", text):
        stamp = pd.Timestamp(text)
        assert (stamp.tz_localize("UTC") if stamp.tz is None else stamp.tz_convert("UTC")) == time
    elif re.match(r"(s|ms|µs|ns)\b", item.how):
        assert abs(_by(item.how, float(_plain(text))) - time.value / 1e9) < 1e-6
