"""The start-up benchmark reads what Python tells of its imports; its bounds are the issue's."""

from __future__ import annotations

import sys

from tests.benchmarks import startup


def test_processes_are_timed_and_imports_told() -> None:
    idle = startup.process_s([sys.executable, "-c", "pass"], 1)
    busy = startup.process_s([sys.executable, "-c", "sum(range(10**7))"], 1)
    assert 0 < idle < busy
    rows = startup.imports(5)
    assert len(rows) == 5 and all(row["own ms"] <= row["with its own imports ms"] for row in rows)
    assert any(row["import"].startswith("speedlog") for row in rows)
