"""Where the logbook lies: as asked, as the environment says, or in the user's own data folder."""

from __future__ import annotations

import os
from pathlib import Path

VARIABLE = "SPEEDLOG_LOGBOOK"
_NAME = "logbook.db"


def logbook_path(asked: Path | None = None) -> Path:
    """The file: `asked` (--logbook), else the environment's SPEEDLOG_LOGBOOK, else the user's data folder."""
    if asked is not None:
        return asked
    told = os.environ.get(VARIABLE)
    if told:
        return Path(told)
    from platformdirs import user_data_path

    return user_data_path("speedlog", appauthor=False) / _NAME
