"""Which passes told where a course's trap is: how they are written down, and known again.

A pass that helped to find the trap agrees with its figure by construction, so it must be known again
wherever it turns up: in the same log, in a later file of the same logger that holds the earlier one,
or in another logger's log of the same pass. So both are written down, the log's SHA-256 and the moment
at which its own clock saw the car enter the trap: "<64 hex digits> 2026-08-22T09:12:33.410Z".
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

WITNESS = re.compile(r"^([0-9a-f]{64})(?: (\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d{3}Z))?\Z", re.ASCII)
_FIRST_DATED_YEAR = 1980  # before GPS began: the assumed day of a log without a date


def witness_text(sha256: str, entered: pd.Timestamp) -> str:
    """How a pass is written down: its log, and the trap's moment on the log's own clock."""
    return f"{sha256} {entered:%Y-%m-%dT%H:%M:%S}.{entered.microsecond // 1000:03d}Z"


def took_part(
    located_from: tuple[str, ...], sha256: str, first: pd.Timestamp, last: pd.Timestamp, tolerance_s: float
) -> bool:
    """Whether a stretch of a log is one of the passes written down.

    Args:
        located_from: of the course.
        sha256: of the log.
        first, last: of the stretch, on the log's own clock.
        tolerance_s: by which two logs of one pass may differ in time.

    A dated moment inside the stretch is the same pass, whatever the file; without a date the file must
    be the same too. A file written down without any moment stands for all of its passes.
    """
    import pandas as pd

    spare = pd.Timedelta(tolerance_s, "s")
    for text in located_from:
        found = WITNESS.match(text)
        if found is None:
            continue
        if found[2] is None:
            if found[1] == sha256:
                return True
            continue
        try:
            entered = pd.Timestamp(found[2])
        except ValueError:  # the digits make no date: as if none were given
            if found[1] == sha256:
                return True
            continue
        same_clock = entered.year >= _FIRST_DATED_YEAR or found[1] == sha256
        if same_clock and first - spare <= entered <= last + spare:
            return True
    return False
