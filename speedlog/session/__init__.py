"""A day in plain text: session.toml read, checked, and its passes reviewed one by one.

The form is the one of the command contract (design, section 5). Every mistake is told in one line
with the file and the key; nothing is guessed. Paths are relative to the session file.
"""

from speedlog.session.day import (
    Change,
    ReviewedPass,
    Session,
    SessionPass,
    SessionReview,
    SetupValue,
    Weather,
)
from speedlog.session.load import MEASURED, SETUP, load_session
from speedlog.session.run import review_session
from speedlog.session.table import parse_trap

__all__ = [
    "MEASURED",
    "SETUP",
    "Change",
    "ReviewedPass",
    "Session",
    "SessionPass",
    "SessionReview",
    "SetupValue",
    "Weather",
    "load_session",
    "parse_trap",
    "review_session",
]
