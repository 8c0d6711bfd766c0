"""The simulator stands alone: an equation shared with the estimator could not find it wrong."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import speedlog.demo

FILES = sorted(Path(speedlog.demo.__file__).parent.glob("*.py"))
ALLOWED = {"speedlog.demo", "speedlog.errors", "speedlog.units"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_demo_imports_only_itself_errors_and_units(path: Path) -> None:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0
            found.add(node.module or "")
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    ours = {name for name in found if name.split(".")[0] == "speedlog"}
    assert {".".join(name.split(".")[:2]) for name in ours} <= ALLOWED
