"""Set-ups from a command line and from a file: checked as session.toml's are, kept as written."""

from __future__ import annotations

from pathlib import Path

import pytest

from speedlog.errors import SpeedlogError
from speedlog.logbook import setups
from speedlog.session.load import SETUP


def test_changes_are_read_as_session_toml_reads_them() -> None:
    found = setups.setup_changes(
        ['current_limit="320 A"', "gear_ratio=1,25", "pole_pairs=3", "wheel_diameter = 88 mm ", "other=a=b"]
    )
    assert found == {
        "current_limit": "320 A", "gear_ratio": 1.25, "pole_pairs": 3, "wheel_diameter": "88 mm", "other": "a=b",
    }  # fmt: skip
    assert list(found) == [key for key in SETUP if key in found], "in the order of a session.toml"


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("current_limit=320", "has no unit"),
        ("current_limit=320 mph", "not a unit of current"),
        ("pole_pairs=2.5", "is not a whole number"),
        ("gear_ratio=long", "is not a number"),
        ("wheel_diameter=0 mm", "above zero"),
        ("curent_limit=320 A", 'Did you mean "current_limit"'),
        ("=320 A", 'no key="value"'),
    ],
)
def test_a_mistake_is_one_line(text: str, problem: str) -> None:
    with pytest.raises(SpeedlogError) as error:
        setups.setup_changes([text])
    assert problem in str(error.value) and "--change" in str(error.value)


def test_a_file_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "car.toml"
    path.write_text('tyre = "hard"\ngear_ratio = 1.0\ncells = 12\n', encoding="utf-8")
    assert setups.setup_file(path) == {"tyre": "hard", "gear_ratio": 1.0, "cells": 12}
    path.write_text("tyre = 4\n", encoding="utf-8")
    with pytest.raises(SpeedlogError, match="is not text"):
        setups.setup_file(path)


def test_the_same_in_other_units_is_no_change() -> None:
    assert setups.same_setup("wheel_diameter", "88 mm", "8.8 cm")
    assert not setups.same_setup("wheel_diameter", "88 mm", "88.1 mm")
    assert not setups.same_setup("wheel_diameter", None, "88 mm")
    assert setups.same_setup("tyre", "hard", "hard") and not setups.same_setup("tyre", "hard", "soft")
    assert setups.same_measured("motor_temp_after", "50 °C", "122 °F")
    assert not setups.same_measured("motor_temp_after", "50 °C", "50 °F")
