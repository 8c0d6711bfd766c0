"""Every setting says its unit and its reason, and is used somewhere."""

from __future__ import annotations

from pathlib import Path

import pytest

import speedlog
from speedlog.settings import every_setting

ROWS = every_setting()
CODE = "\n".join(
    path.read_text("utf-8")
    for path in Path(speedlog.__file__).parent.rglob("*.py")
    if path.parent.name != "settings"
)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]}.{row[1]}")
def test_a_setting_has_a_unit_and_a_reason_and_is_used(row) -> None:
    _, name, _, unit, reason = row
    assert unit.strip() and len(reason) > 10
    assert f".{name}" in CODE, "no stage reads it"
