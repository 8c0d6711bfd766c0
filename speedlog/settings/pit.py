"""Settings of the pit page."""

from __future__ import annotations

from dataclasses import dataclass

from speedlog.settings.row import setting


@dataclass(frozen=True)
class PitSettings:
    """Serving the pit page (`speedlog.pit`)."""

    port: int = setting(8417, "TCP port", "always the same, so that a bookmark works; in the range for users, not registered by IANA")
    ports_tried: int = setting(10, "ports", "where the first is taken, the next ones are tried")
    most_files: int = setting(40, "files an upload", "a day has some dozen logs; more at once is a slip of the hand")
    most_fields: int = setting(80, "fields a form", "the largest form of the page has about half as many")
    longest_field: int = setting(20_000, "bytes", "a note of some pages; the logbook cuts it to its own length")
    biggest_upload_mb: float = setting(600.0, "MB", "one file of the size that is read at most, and some more")
    most_uploads: int = setting(16, "at once", "a few phones and a laptop; each takes room on the disk while it lasts")
    waiting_kept: int = setting(4, "uploads", "that were refused and wait for a word from the user; older ones are dropped")
    told_kept: int = setting(100, "messages", "outcomes shown once, after the page has moved on")
    settle_s: float = setting(2.0, "s", "a file on a card is still being copied while it grows or its time changes")
    look_s: float = setting(0.5, "s", "between two looks at the watched folder")
    leftover_s: float = setting(3600.0, "s", "older folders of uploads are left by a server that was killed")
    code_letters: int = setting(8, "letters", "of 32: 40 bits, and few tries")
    code_tries: int = setting(10, "wrong codes", "then none is taken any more until the server is started again")
    stand_speed_mps: float = setting(0.5, "m/s", "a receiver that stands says less; walking is 1.4 m/s")
    stand_least_s: float = setting(20.0, "s", "of the minute asked for; a shorter stop is no stand")
    stand_place_u_m: float = setting(1.0, "m", "standard uncertainty of a minute's mean place: what the sky adds changes over hours; common practice, no source")
    stand_mismatch_m: float = setting(6.0, "m", "between the stands and the tape: two places each 2 m off, and a bit")
