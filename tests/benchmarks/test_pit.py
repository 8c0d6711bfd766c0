"""The benchmark of the pit page runs, keeps everything, and its rows have one form."""

from __future__ import annotations

import pytest

for needed in ("starlette", "uvicorn", "python_multipart", "httpx"):
    pytest.importorskip(needed, reason=f"{needed} is not installed (speedlog[test])")

# ruff: noqa: E402
from tests.benchmarks import pit


def test_a_small_load_is_kept_whole() -> None:
    found = pit.under_load(2, 2)
    assert [item["kept"] for item in found] == [2, 2]
    assert all(item["sound"] for item in found)
    assert {tuple(item) for item in found} == {tuple(pit.row("x", [1.0, 2.0]))}


def test_a_row_tells_median_and_worst() -> None:
    found = pit.row("x", [3.0, 1.0, 2.0])
    assert (found["median s"], found["worst s"], found["times"]) == (2.0, 3.0, 3)
