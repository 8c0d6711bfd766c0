"""The real receiver logs and the nasty inputs that lie beside a developer's checkout.

Expectations and the comparison are those of the checkers there (`check_real.py`, `check_edge.py`),
which found them with independent parsers; here they run in this process, on the function behind
`speedlog inspect`.
"""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from speedlog.cli.inspect import describe
from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions

SHARED = Path(__file__).parents[2].parent / "shared"
pytestmark = [
    pytest.mark.real,
    pytest.mark.skipif(not SHARED.is_dir(), reason="shared/ is not beside this checkout"),
]


def expectations(path: Path) -> dict[str, dict[str, Any]]:
    if not path.is_file():
        return {}
    found: dict[str, dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))
    return found


def checker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("check_real", SHARED / "real" / "check_real.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


REAL = expectations(SHARED / "real" / "expect.json")
EDGE = {
    name: item for name, item in expectations(SHARED / "edge" / "edge.json").items() if "special" not in item
}  # the special ones (loops, pipes) are made in test_registry.py


def outcome(path: Path, expected: dict[str, Any]) -> dict[str, Any] | None:
    """The description, None where the file is refused as it may be."""
    try:
        found = describe(path, ReadOptions())
    except SpeedlogError as problem:
        assert expected["outcome"] != "accept", f"refused: {problem}"
        assert "\n" not in str(problem) and expected.get("secret", "\n") not in str(problem)
        return None
    assert expected["outcome"] != "refuse", f"accepted with {found['valid_samples']} valid"
    text = json.dumps(found, allow_nan=False)  # raises on NaN and infinity
    assert expected.get("secret", "\n") not in text
    return found


@pytest.mark.parametrize("name", list(REAL))
def test_real_logs(name: str) -> None:
    expected = REAL[name]
    found = outcome(SHARED / "real" / name, expected)
    if found is not None and not (expected["outcome"] == "refuse_or_accept" and "valid" not in expected):
        wrong, missing_warnings = checker().compare(expected, found)
        assert (wrong, missing_warnings) == ([], [])


@pytest.mark.parametrize("name", list(EDGE))
def test_edge_cases(name: str) -> None:
    expected = EDGE[name]
    found = outcome(SHARED / "edge" / "files" / name, expected)
    if found is None or "valid" not in expected:
        return
    wrong, missing_warnings = checker().compare(expected, found)
    assert (wrong, missing_warnings) == ([], [])
    warned = " ".join(found["warnings"]).lower()
    words = expected.get("must_warn", [""])
    assert any(word in warned for word in words), f"no warning with any of {words}: {warned}"
