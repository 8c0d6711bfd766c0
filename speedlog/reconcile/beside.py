"""What several GNSS loggers on one car say of each other, in a sentence each: who is late, who may be wrong."""

from __future__ import annotations

from speedlog.errors import plain
from speedlog.fusion.drive import Drive
from speedlog.reconcile.wording import Speeds


def between_loggers(drive: Drive, unit: str) -> tuple[str, ...]:
    """Warnings on delays between the loggers of a pass, and on stretches in which they differ.

    Args:
        unit: of the speeds told.
    """
    return (*_late(drive), *_differ(drive, unit))


def _late(drive: Drive) -> list[str]:
    """A delay that was taken off, and the assumption behind it. Where the clock is a guess, its file says so."""
    prompt = [item for item in drive.seen if item.delay.lag_s == 0.0 and not item.clock_by_pass]
    if not prompt:
        return []
    first = plain(prompt[0].track.file, 80)
    return [
        f"{plain(item.track.file, 80)} is {item.delay.lag_s:.2f} s behind {first} with speeds and positions alike; "
        "the earlier one's times are taken as right, for a logger can be late but not early. A delay that both "
        "share can't be seen; it would move the times told, not the speeds"
        for item in drive.seen
        if item.delay.lag_s > 0.0 and not item.clock_by_pass
    ]


def _differ(drive: Drive, unit: str) -> list[str]:
    words, said = Speeds.of(unit), []
    for doubt in drive.doubts:
        one, other = (plain(name, 80) for name in doubt.files)
        start, end = drive.utc(doubt.start_s), drive.utc(doubt.end_s)
        said.append(
            f"{one} and {other} differ by {words.gap(abs(doubt.size_mps))} from {start:%H:%M:%S.%f}"[:-5]
            + f" to {end:%H:%M:%S.%f}"[:-5]
            + " UTC; nothing tells which is right, so the estimate's interval holds both"
        )
    return said
