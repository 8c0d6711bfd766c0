"""Times of the venue. Summer time in Lisbon: UTC+1 from late March to late October (tz database)."""

from __future__ import annotations

import pandas as pd

from speedlog.report.localtime import venue_clock

JULY = pd.Timestamp("2026-07-12T22:59:59.987654321Z")


def test_the_venue_s_clock_with_fractions_cut_off() -> None:
    clock = venue_clock("Europe/Lisbon")
    assert clock.time(JULY) == "23:59:59" and clock.time(JULY, 2) == "23:59:59.98"
    assert clock.time(pd.Timestamp("2026-01-12T12:00Z")) == "12:00:00"  # winter
    assert clock.time(None) == "–"


def test_the_date_is_the_venue_s_own() -> None:
    assert venue_clock("Asia/Tokyo").date(JULY) == "2026-07-13"


def test_without_a_zone_the_reader_is_told_which_clock_it_is() -> None:
    assert venue_clock(None).time(JULY) == "22:59:59"
    assert venue_clock(None).said == "Times are UTC: the course names no time zone."
    assert "computer that made this page" in venue_clock(None, computer=True).said
    assert venue_clock(None, computer=True).time(JULY)[3:] == "59:59"  # all zones in use keep to minutes


def test_an_unknown_zone_falls_back_to_utc_and_says_so() -> None:
    clock = venue_clock("Atlantis/Lost")
    assert clock.time(JULY) == "22:59:59" and '"Atlantis/Lost" is not known' in clock.said
