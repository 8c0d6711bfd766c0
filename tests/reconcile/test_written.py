"""A recording without the rows in which its speed only repeats."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.reconcile.written import with_fresh_rows
from speedlog.samples import Clock, Recording
from speedlog.settings import Settings
from tests.faults.invented import KNOT, Drive, log

SETTINGS = Settings().faults
CAR = Drive(pull=8.0, top=88.0, brake=12.0)
FINE = 0.01 * KNOT


def test_the_recording_is_thinned_only_where_it_repeats() -> None:
    table = log(CAR, trap=None).samples
    whole = Recording("log.nmea", "0" * 64, "nmea", Clock.UTC, (table,))
    assert with_fresh_rows(whole, FINE, SETTINGS) is whole
    held = table.copy()
    held["speed_mps"] = table["speed_mps"].to_numpy()[np.arange(len(table)) // 5 * 5]
    thin = with_fresh_rows(replace(whole, segments=(held,)), FINE, SETTINGS)
    assert thin.rate_hz == pytest.approx(5.0) and whole.rate_hz == pytest.approx(25.0)
