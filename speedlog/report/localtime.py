"""Times as a clock at the venue showed them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pandas as pd


@dataclass(frozen=True)
class LocalClock:
    """A zone to show times in; `zone` None is the computer's own. `said` tells the reader which."""

    zone: dt.tzinfo | None
    said: str

    def at(self, moment: pd.Timestamp) -> dt.datetime:
        return moment.floor("us").to_pydatetime().astimezone(self.zone)

    def time(self, moment: pd.Timestamp | None, fraction: int = 0) -> str:
        """ "14:03:22.48"; fractions are cut off, as on a clock."""
        if moment is None:
            return "–"
        local = self.at(moment)
        text = local.strftime("%H:%M:%S")
        return text if not fraction else f"{text}.{local.microsecond:06d}"[: len(text) + 1 + fraction]

    def date(self, moment: pd.Timestamp) -> str:
        return self.at(moment).date().isoformat()


def venue_clock(time_zone: str | None, *, computer: bool = False) -> LocalClock:
    """The clock of a course's IANA zone; without one the computer's (if `computer`) or UTC, and said so."""
    if time_zone:
        try:
            return LocalClock(ZoneInfo(time_zone), f"Times are local, {time_zone}.")
        except (ZoneInfoNotFoundError, ValueError, OSError):
            return LocalClock(
                dt.UTC, f'Times are UTC: the time zone "{time_zone}" is not known on this computer.'
            )
    if computer:
        return LocalClock(
            None, "Times are those of the computer that made this page: the course names no time zone."
        )
    return LocalClock(dt.UTC, "Times are UTC: the course names no time zone.")
