"""A real browser for the pages: Debian's chromium, driven by Playwright. Where it is absent these tests are skipped."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

CHROMIUM = Path(os.environ.get("SPEEDLOG_CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium")


@pytest.fixture(scope="session")
def browser() -> Iterator[object]:
    """One chromium for all tests; a page of its own for each is the test's to open and close."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not CHROMIUM.is_file():
        pytest.skip("no chromium on this computer")
    with playwright.sync_playwright() as run:
        started = run.chromium.launch(
            executable_path=str(CHROMIUM), args=["--disable-background-networking", "--no-sandbox"]
        )
        yield started
        started.close()
