"""What a recording holds, column by column and over its time: for a reader, not for a computation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.samples import COLUMN_NAMES, Fix, Origin, Recording, seconds

_KINDS = ("RMC", "GGA", "GLL", "GNS", "VTG", "GSA", "GSV", "ZDA")
_STANDARD = "the standard"
# which sentences say what, the one that holds first; and the unit there ("NMEA Revealed", gpsd www/NMEA.adoc)
_NMEA: dict[str, tuple[tuple[str, ...], str]] = {
    "time": (("RMC", "GGA", "GNS", "GLL", "ZDA"), "hhmmss UTC"),
    "lat_deg": (("RMC", "GGA", "GNS", "GLL"), "ddmm.mmm"), "lon_deg": (("RMC", "GGA", "GNS", "GLL"), "dddmm.mmm"),
    "alt_m": (("GGA", "GNS"), "m"), "speed_mps": (("RMC", "VTG"), "kn"), "track_deg": (("RMC", "VTG"), "°"),
    "fix": (("RMC", "GGA", "GNS", "GLL", "GSA"), ""), "hdop": (("GGA", "GNS", "GSA"), ""),
    "satellites": (("GGA", "GNS"), ""), "cn0_dbhz": (("GSV",), "dB-Hz"),
}  # fmt: skip
# GPX 1.1 schema (2004); `course` and `speed` are 1.0's (2002)
_GPX = {
    "time": ("<time>", "UTC"), "lat_deg": ("trkpt lat", "°"), "lon_deg": ("trkpt lon", "°"), "alt_m": ("<ele>", "m"),
    "track_deg": ("<course>", "°"), "fix": ("<fix>", ""), "hdop": ("<hdop>", ""), "satellites": ("<sat>", ""),
}  # fmt: skip
# one character each, plain ASCII, so that it is whole in any console and any paste
_MARKS = {
    Fix.NONE: ("-", "no fix"), Fix.DEAD_RECKONED: ("e", "estimated without satellites"), Fix.TWO_D: ("2", "2D"),
    Fix.THREE_D: ("3", "3D"), Fix.DIFFERENTIAL: ("d", "differential"), Fix.RTK_FLOAT: ("f", "RTK, float"),
    Fix.RTK_FIXED: ("r", "RTK, fixed"),
}  # fmt: skip
_NO_EPOCH, _POSITION = (".", "no epochs"), ("p", "a position, its quality not said")
_WORST_FIRST = (_MARKS[Fix.NONE], _MARKS[Fix.DEAD_RECKONED], _MARKS[Fix.TWO_D], _POSITION, _MARKS[Fix.THREE_D],
                _MARKS[Fix.RTK_FLOAT], _MARKS[Fix.DIFFERENTIAL], _MARKS[Fix.RTK_FIXED])  # fmt: skip


@dataclass(frozen=True)
class ColumnFacts:
    """One filled column: where it comes from, its range in SI units, the share of epochs without a value."""

    name: str
    origin: Origin
    low: float | None
    high: float | None
    missing: float


@dataclass(frozen=True)
class RateFacts:
    """How evenly the epochs follow each other.

    Attributes:
        interval_s: the usual one (median).
        jitter_s: 95 of 100 intervals lie so near to it, pauses left out.
        longest_s: the longest interval.
        pauses: intervals longer than `pause_intervals` usual ones; `missing`: epochs that would fit into them.
    """

    interval_s: float
    jitter_s: float
    longest_s: float
    pauses: int
    missing: int


@dataclass(frozen=True)
class FixStrip:
    """Fix quality over the log's time: each character the worst of its stretch; what the characters mean."""

    text: str
    step_s: float
    legend: tuple[tuple[str, str], ...]


def origins_of(recording: Recording, data: bytes | None) -> dict[str, Origin]:
    """Where each filled column (and "time") comes from.

    Args:
        data: the file's bytes, for the sentences that an NMEA log holds; None: not told.
    """
    filled = ("time", *recording.filled_columns)
    if recording.format == "gpx":
        found = {name: Origin(*_GPX[name], _STANDARD) for name in filled if name in _GPX} | recording.origins
    elif recording.format == "nmea":
        held = [kind for kind in _KINDS if data is None or f"{kind},".encode() in data]
        found = {name: _nmea_origin(name, held) for name in filled if name in _NMEA}
    else:
        found = recording.origins
    return {name: found[name] for name in filled if name in found}


def _nmea_origin(name: str, held: list[str]) -> Origin:
    kinds, unit = _NMEA[name]
    return Origin(", ".join(kind for kind in kinds if kind in held), unit, _STANDARD if unit else "")


def column_facts(recording: Recording, data: bytes | None = None) -> tuple[ColumnFacts, ...]:
    """Every filled column, in the common table's order."""
    origins, samples, found = origins_of(recording, data), recording.samples, []
    for name in COLUMN_NAMES:
        known = samples[name].notna()
        if not known.any():
            continue
        low = high = None
        if name != "fix":
            values = samples[name].to_numpy(dtype=float)
            low, high = float(np.nanmin(values)), float(np.nanmax(values))
        origin = origins.get(name, Origin("", "", ""))
        found.append(ColumnFacts(name, origin, low, high, float(1.0 - known.mean())))
    return tuple(found)


def rate_facts(recording: Recording, pause_intervals: float) -> RateFacts | None:
    """How evenly the epochs follow each other; None with fewer than three."""
    stamps = pd.DatetimeIndex(recording.samples.index).as_unit("ns").asi8
    if len(stamps) < 3:
        return None
    steps = np.diff(stamps)  # whole nanoseconds: an even log's jitter is 0
    usual = float(np.median(steps))
    pause = steps > pause_intervals * usual
    off = np.abs(steps[~pause] - usual)
    missing = np.round(steps[pause] / usual) - 1
    return RateFacts(
        usual / 1e9,
        float(np.quantile(off, 0.95)) / 1e9,
        float(steps.max()) / 1e9,
        int(pause.sum()),
        int(missing.sum()),
    )


def fix_strip(recording: Recording, pause_intervals: float, longest: int = 60) -> FixStrip | None:
    """Fix quality over time; None for a log without any position.

    Args:
        longest: characters at the most; a short log gets one an epoch.
    """
    samples = recording.samples
    if not samples["lat_deg"].notna().any():
        return None
    time_s = seconds(samples.index)
    usual = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 1.0
    span = time_s[-1] + usual
    count = int(min(longest, max(1, round(span / usual))))
    step = span / count
    worst = np.full(count, len(_WORST_FIRST), dtype=np.intp)
    place = np.minimum((time_s / step + 1e-9).astype(np.intp), count - 1)
    np.minimum.at(worst, place, _ranks(recording))
    marks, blank = [*_WORST_FIRST, _NO_EPOCH], len(_WORST_FIRST)
    for at in np.flatnonzero(worst == blank):  # never the first: an epoch begins it
        if _between_near_epochs(time_s, (at + 0.5) * step, pause_intervals * usual):
            worst[at] = worst[at - 1]
    shown = [marks[int(at)] for at in worst]
    legend = tuple(mark for mark in marks if mark in shown)
    return FixStrip("".join(mark for mark, _ in shown), step, legend)


def _between_near_epochs(time_s: NDArray[np.float64], moment_s: float, pause_s: float) -> bool:
    """Whether a moment lies between two epochs that are no farther apart than usual: an uneven log's."""
    after = int(np.searchsorted(time_s, moment_s))
    if after == len(time_s):
        return bool(moment_s - time_s[-1] <= pause_s)
    return after > 0 and bool(time_s[after] - time_s[after - 1] <= pause_s)


def _ranks(recording: Recording) -> NDArray[np.intp]:
    """(N,) each epoch's place in `_WORST_FIRST`."""
    samples = recording.samples
    fix = samples["fix"].astype(object).to_numpy()
    placed = (samples["lat_deg"].notna() & samples["lon_deg"].notna()).to_numpy(dtype=bool)
    ranks = np.where(placed, _WORST_FIRST.index(_POSITION), 0).astype(np.intp)
    for kind, mark in _MARKS.items():
        said = fix == kind.value
        ranks[said & (placed | (kind is Fix.NONE))] = _WORST_FIRST.index(mark)
    return ranks
