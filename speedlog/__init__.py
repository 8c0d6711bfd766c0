"""speedlog: how fast did it really go through the trap, and how surely?

The public names, in one screen. They are imported when first used, so that `import speedlog` and
the command line start at once.

    >>> import speedlog as sl
    >>> review = sl.review(["gps.nmea", "esc.csv"], course=sl.Course.load("course.toml"),
    ...                    trap="187.5 mph")                                    # doctest: +SKIP
    >>> review.passes[0].trap.estimate_mps                                      # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from speedlog.course.coursefile import Course
    from speedlog.errors import SpeedlogError
    from speedlog.importers import read
    from speedlog.pipeline import review
    from speedlog.results import Review
    from speedlog.samples import Recording
    from speedlog.session import Session, load_session, review_session
    from speedlog.settings import Settings

__version__ = "0.1.0"

__all__ = [
    "Course", "Recording", "Review", "Session", "Settings", "SpeedlogError", "load_session", "read", "review",
    "review_session",
]  # fmt: skip

_HOME = {
    "Course": "speedlog.course.coursefile",
    "Recording": "speedlog.samples",
    "Review": "speedlog.results",
    "Session": "speedlog.session",
    "Settings": "speedlog.settings",
    "SpeedlogError": "speedlog.errors",
    "load_session": "speedlog.session",
    "read": "speedlog.importers",
    "review": "speedlog.pipeline",
    "review_session": "speedlog.session",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'speedlog' has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
