"""One row of the table of settings."""

from __future__ import annotations

from dataclasses import field
from typing import Any


def setting(default: Any, unit: str, reason: str) -> Any:
    """A field of a settings group, with its unit and the reason for its value."""
    return field(default=default, metadata={"unit": unit, "reason": reason})
