"""Settings of the logbook."""

from __future__ import annotations

from dataclasses import dataclass

from speedlog.settings.row import setting


@dataclass(frozen=True)
class LogbookSettings:
    """Keeping passes (`speedlog.logbook`)."""

    shared_time: float = setting(0.5, "share of the shorter drive", "one car drives one pass at a time, and loggers' clocks differ by a second")
    wait_s: float = setting(10.0, "s", "for another program's transaction, which takes well under a second")
    lzma_up_to_mb: float = setting(16.0, "MB", "LZMA packs logs a third smaller but takes a second a MB of a slow laptop")
    near_course_m: float = setting(20_000.0, "m", "a log that begins farther from a course's start was not made there")
    same_moment_s: float = setting(0.5, "s", "loggers' clocks of one pass agree in the trap; by chance one pair of passes in 900 does")
    same_speed: float = setting(0.03, "share", "of two loggers of one pass; with the moment no chance is left")
    sheet_tolerance_s: float = setting(90.0, "s", "a timekeeper writes the minute, by a wall clock; passes are minutes apart; common practice, no source")
    sheet_biggest_mb: float = setting(5.0, "MB", "a season of a club fits into it; more is no sheet of times")
    moved_share: float = setting(1e-6, "share", "a figure that differs by less is the same on another computer")
    evidence_biggest_mb: float = setting(500.0, "MB", "two whole days of logs at 150 MB, their pages and some photos")
    evidence_most_files: int = setting(200, "files", "two passes have a dozen; more is no evidence of a claim")
    attachment_biggest_mb: float = setting(50.0, "MB", "a scan or a photo; a film is handed over by itself")
    subtitle_step_s: float = setting(0.1, "s", "a number that changes faster can't be read; common practice, no source")
