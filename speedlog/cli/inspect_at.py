"""`speedlog inspect --at`: the lines behind the epoch nearest a time, and what each became."""

from __future__ import annotations

import datetime as dt
import re
import textwrap
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    import pandas as pd

    from speedlog.importers import ReadOptions, Source
    from speedlog.importers.trace import Became, EpochTrace, Piece
    from speedlog.samples import Recording

WIDTH = 100  # columns of a terminal
_CLOCK = re.compile(
    r"(?:(?P<date>\d{4}-\d\d-\d\d)[T ]\s*)?(?P<h>\d{1,2}):(?P<m>\d\d)(?::(?P<s>\d\d(?:[.,]\d{1,9})?))?\s*(?P<z>Z|UTC)?",
    re.IGNORECASE | re.ASCII,
)
_COUNT = re.compile(r"\s*\d{1,12}(?:[.,]\d{1,12})?\s*s?\s*", re.ASCII)
_MINUTES = re.compile(r"\s*(\d{1,5}):(\d\d(?:[.,]\d+)?)\s*", re.ASCII)
_MOST_SECONDS, _YEARS = 4_000_000_000, range(1970, 2116)  # what importers read, and int64 nanoseconds hold
_MOST_DAYS = 3  # a log that spans more has a date gone wrong, or wants one with the time
UNITS = {
    "lat_deg": "°", "lon_deg": "°", "alt_m": "m", "speed_mps": "m/s", "track_deg": "°", "cn0_dbhz": "dB-Hz",
    "speed_sd_mps": "m/s", "rpm": "/min", "current_a": "A", "voltage_v": "V", "motor_temp_c": "°C",
    "controller_temp_c": "°C", "accel_mps2": "m/s²",
}  # fmt: skip
_TODO = 'Write --at 14:03:22.4, --at "2026-07-12 14:03:22.4", or --at "12.4 s" for a log without a clock.'


@dataclass(frozen=True)
class Zone:
    """The clock in which times are asked for and shown: UTC, or a course's."""

    zone: dt.tzinfo
    name: str


def zone_of(time_zone: str | None) -> Zone:
    """The zone of a course; UTC without one, or where this computer does not know it (and the name says so)."""
    from speedlog.report.localtime import venue_clock

    if time_zone is None:
        return Zone(dt.UTC, "UTC")
    zone = venue_clock(time_zone).zone
    if zone is None or zone is dt.UTC:
        return Zone(dt.UTC, "UTC (this computer does not know the course's time zone)")
    return Zone(zone, time_zone)


def asked_time(text: str, recording: Recording, zone: Zone) -> pd.Timestamp:
    """The time asked for, on the recording's own clock.

    Raises:
        SpeedlogError: no time; a date or a zone that the log does not have; a time that fits several days.
    """
    import pandas as pd

    from speedlog.samples import Clock

    index = recording.samples.index
    if _COUNT.fullmatch(text):
        start = pd.Timestamp(0, tz="UTC") if recording.clock is Clock.ELAPSED else index[0]
        return start + pd.Timedelta(_nanoseconds(text.strip().rstrip("s")), unit="ns")
    if recording.clock is Clock.ELAPSED:
        return _elapsed(text, recording)
    found = _CLOCK.fullmatch(text.strip())
    if (
        not found
        or int(found["h"]) > 23
        or int(found["m"]) > 59
        or float((found["s"] or "0").replace(",", ".")) >= 60
    ):
        raise SpeedlogError(f'--at: "{plain(text)}" is no time', todo=_TODO)
    since = (int(found["h"]) * 60 + int(found["m"])) * 60_000_000_000 + _nanoseconds(found["s"] or "0")
    if recording.clock is Clock.TIME_OF_DAY:
        if found["date"]:
            raise SpeedlogError(
                "the log has no date", file=recording.file, todo="Give the time alone, in UTC."
            )
        at = pd.Timestamp(since, tz="UTC")
        days = [at + pd.Timedelta(days=day) for day in range((index[-1] - index[0]).days + 2)]
        return _only(days, recording, text)
    clock = dt.UTC if found["z"] else zone.zone
    if found["date"]:
        return _instant(_date(found["date"]), since, clock)
    return _only(_of_each_day(index, since, clock, recording), recording, text)


def _nanoseconds(seconds: str) -> int:
    whole, _, part = seconds.strip().replace(",", ".").partition(".")
    if int(whole) > _MOST_SECONDS:
        raise SpeedlogError(f'--at: "{plain(seconds, 30)}" seconds are no time of a log', todo=_TODO)
    return int(whole) * 1_000_000_000 + int(part[:9].ljust(9, "0") or 0)


def _elapsed(text: str, recording: Recording) -> pd.Timestamp:
    import pandas as pd

    found = re.fullmatch(r"\s*(\d{1,3}):(\d\d):(\d\d(?:[.,]\d+)?)\s*", text, re.ASCII)
    short = _MINUTES.fullmatch(text)
    if not found and not short:
        raise SpeedlogError(
            f'--at: "{plain(text)}" is no time of this log, which counts seconds from its own start',
            file=recording.file,
            todo='Write --at "12.4 s".',
        )
    minutes = int(found[1]) * 60 + int(found[2]) if found else int(short[1]) if short else 0
    seconds = found[3] if found else short[2] if short else "0"
    return pd.Timestamp(minutes * 60_000_000_000 + _nanoseconds(seconds), tz="UTC")


def _date(text: str) -> dt.date:
    try:
        day = dt.date.fromisoformat(text)
    except ValueError:
        raise SpeedlogError(f'--at: "{plain(text)}" is no date', todo=_TODO) from None
    if day.year not in _YEARS:
        raise SpeedlogError(f'--at: "{plain(text)}" is no date of a log', todo=_TODO)
    return day


def _instant(day: dt.date, since_ns: int, clock: dt.tzinfo) -> pd.Timestamp:
    import pandas as pd

    seconds, rest = divmod(since_ns, 1_000_000_000)
    wall = dt.datetime(day.year, day.month, day.day, tzinfo=clock) + dt.timedelta(seconds=seconds)
    return pd.Timestamp(wall.astimezone(dt.UTC)) + pd.Timedelta(rest, unit="ns")


def _of_each_day(
    index: pd.Index, since_ns: int, clock: dt.tzinfo, recording: Recording
) -> list[pd.Timestamp]:
    first, last = (
        moment.to_pydatetime(warn=False).astimezone(clock).date() for moment in (index[0], index[-1])
    )
    if (last - first).days > _MOST_DAYS:
        raise _several(recording, first, last)
    days = [first + dt.timedelta(days=at) for at in range(-1, (last - first).days + 2)]
    return [_instant(day, since_ns, clock) for day in days]


def _only(times: list[pd.Timestamp], recording: Recording, text: str) -> pd.Timestamp:
    """The one that lies in the log; the nearest to it where none does."""
    index = recording.samples.index
    inside = [time for time in times if index[0] <= time <= index[-1]]
    if len(inside) > 1:
        raise _several(recording, index[0].date(), index[-1].date())
    if inside:
        return inside[0]
    return min(times, key=lambda time: min(abs(time - index[0]), abs(time - index[-1])))


def _several(recording: Recording, first: dt.date, last: dt.date) -> SpeedlogError:
    return SpeedlogError(
        f"the log goes from {first} to {last}, so a time alone does not say which day",
        file=recording.file,
        todo=f'Give the date too: --at "{last} 14:03:22.4".',
    )


def trace_json(
    source: Source, recording: Recording, text: str, zone: Zone, options: ReadOptions
) -> dict[str, Any]:
    """The epoch nearest a time and its lines, for `inspect --json`; "epoch" null where none is near.

    Raises:
        SpeedlogError: see `asked_time`.
    """
    import numpy as np

    from speedlog.importers.trace import trace_epoch
    from speedlog.samples import seconds

    time, index = asked_time(text, recording, zone), recording.samples.index
    at = int(np.argmin(np.abs(seconds(index, time))))
    interval_s = 1 / recording.rate_hz if recording.rate_hz else 1.0
    near = abs(index[at] - time).total_seconds() <= options.settings.at_intervals * interval_s
    after = int(index.searchsorted(time))
    found: dict[str, Any] = {
        "asked": text,
        "time_utc": _stamp(time, recording),
        "epoch": None,
        "before_s": (time - index[after - 1]).total_seconds() if after else None,
        "after_s": (index[after] - time).total_seconds() if after < len(index) else None,
        "before": _shown(index[after - 1], recording, zone) if after else None,
        "after": _shown(index[after], recording, zone) if after < len(index) else None,
    }
    if near:
        trace = trace_epoch(source, recording, index[at], options)
        off_s = (index[at] - time).total_seconds()
        found["epoch"] = _epoch_json(trace, recording, index[at], zone) | {"off_s": off_s}
    return found


def _stamp(time: pd.Timestamp, recording: Recording) -> str | None:
    from speedlog.samples import Clock, utc_text

    return utc_text(time) if recording.clock is Clock.UTC else None


def _shown(time: pd.Timestamp, recording: Recording, zone: Zone) -> str:
    """A time as this log's clock tells it."""
    from speedlog.samples import Clock

    fraction = f"{time.value % 1_000_000_000:09d}".rstrip("0").ljust(3, "0")
    if recording.clock is Clock.ELAPSED:
        return f"{time.value // 1_000_000_000}.{fraction} s"
    if recording.clock is Clock.TIME_OF_DAY:
        return f"{time:%H:%M:%S}.{fraction} UTC"
    local = time.floor("us").to_pydatetime().astimezone(zone.zone)
    return f"{local:%Y-%m-%d %H:%M:%S}.{fraction} {zone.name}"


def _epoch_json(trace: EpochTrace, recording: Recording, time: pd.Timestamp, zone: Zone) -> dict[str, Any]:
    sample = recording.samples.loc[time]
    values: dict[str, Any] = {}
    for item in trace.became:
        shown = _shown(time, recording, zone) if item.column == "time" else _number(sample[item.column])
        values[item.column] = {
            "value": shown,
            "from": [{"line": piece.line, "where": piece.where, "text": piece.text} for piece in item.pieces],
            "how": item.how,
            "text": _from_words(item),
        }
    lines = [{"line": line.number, "text": line.text, "note": line.note} for line in trace.lines]
    return {
        "time": _shown(time, recording, zone),
        "lines": lines,
        "values": values,
        "notes": list(trace.notes),
    }


def _number(value: Any) -> float | str | None:
    import pandas as pd

    if pd.isna(value):
        return None
    return value if isinstance(value, str) else float(value)


def _from_words(item: Became) -> str:
    """'line 12, RMC fields 3, 4 "5306.07" "N": degrees + minutes / 60'."""
    parts = []
    for (line, kind), group in groupby(item.pieces, key=lambda piece: (piece.line, _kind(piece))):
        pieces = list(group)
        texts = " ".join(f'"{piece.text}"' for piece in pieces)
        if kind:
            fields = ", ".join(piece.where.rpartition(" ")[2] for piece in pieces)
            parts.append(f"line {line}, {kind}{'s' if len(pieces) > 1 else ''} {fields} {texts}")
        else:
            parts += [f'line {line}, {piece.where}: "{piece.text}"' for piece in pieces]
    return "; ".join(parts) + (f", {item.how}" if item.how else "")


def _kind(piece: Piece) -> str:
    found = re.fullmatch(r"(\w+ field) \d+", piece.where)
    return found[1] if found else ""


def trace_words(found: dict[str, Any]) -> list[str]:
    """Lines for a terminal."""
    asked, epoch = plain(found["asked"], 40), found["epoch"]
    if epoch is None:
        sides = [
            f"{found[side]} ({found[f'{side}_s']:.3f} s {side})"
            for side in ("before", "after")
            if found[side]
        ]
        return [f"  no epoch near {asked}; the nearest: {', '.join(sides)}"]
    off = f"{abs(epoch['off_s']):.3f} s {'after' if epoch['off_s'] > 0 else 'before'} the time asked for"
    words = [f"  the epoch nearest {asked}: {epoch['time']}" + (f" ({off})" if epoch["off_s"] else "")]
    words.append("  the lines behind it:")
    wide = max((len(str(line["line"])) for line in epoch["lines"]), default=1)
    for line in epoch["lines"]:
        words.append(f"    {line['line']:>{wide}}  {_cut(line['text'], WIDTH - wide - 6)}")
        if line["note"]:
            words.append(f"    {'':>{wide}}  ({line['note']})")
    words.append("  what they became:")
    for name, value in epoch["values"].items():
        words += _two(f"    {name:<18}{_value_words(name, value['value'])}", value["text"])
    return words + [
        line
        for note in epoch["notes"]
        for line in textwrap.wrap(f"  note: {note}", WIDTH, subsequent_indent="    ")
    ]


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def _two(head: str, rest: str) -> list[str]:
    """A value and where it comes from: in one line where both fit, else in two or more."""
    whole = f"{head:<50}  {rest}"
    if len(whole) <= WIDTH:
        return [whole]
    pad = " " * 22
    return [
        head,
        *textwrap.wrap(rest, WIDTH, initial_indent=pad, subsequent_indent=pad, break_on_hyphens=False),
    ]


def _value_words(name: str, value: float | str | None) -> str:
    from speedlog.units import find_unit

    if value is None:
        return "missing"
    if isinstance(value, str):
        return value
    mph = find_unit("mph", "speed")
    more = f" ({mph.from_si(value):.2f} mph)" if name == "speed_mps" and mph else ""
    number = f"{value:.8f}" if name in ("lat_deg", "lon_deg") else f"{value:.9g}"
    return f"{number} {UNITS.get(name, '')}".rstrip() + more
