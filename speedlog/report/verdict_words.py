"""A verdict in a few words, for tables; light, as `history` shows them without any other part of the report."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

VERDICTS: Mapping[str, str] = MappingProxyType(
    {
        "not_enough_data": "too little data",
        "trap_figure_doubtful": "trap figure in doubt",
        "logger_missed_trap": "loggers missed the trap",
        "logger_ceiling": "logger topped out",
        "logger_low": "logger reads low",
        "logger_high": "logger reads high",
        "agree": "trap and logs agree",
    }
)
HELPED = "helped to find the trap"
