"""Session report, season page and passes side by side on A4, printed by chromium while the computer is set to dark.

Looked at page by page when they were made; here stands what can be asserted: size, number of pages, no page blank or
dark, verdicts and charts' words on the page where they belong, links that lead somewhere.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, ImageStat

from speedlog.demo import sample_folder
from speedlog.logbook import rows
from speedlog.logbook.add import add_session
from speedlog.logbook.compare import read_comparison
from speedlog.logbook.history import read_history
from speedlog.logbook.store import Logbook
from speedlog.report.compare_page import compare_page
from speedlog.report.page import session_page
from speedlog.report.season_page import season_page
from speedlog.session import load_session
from speedlog.session.car import with_car
from speedlog.session.run import review_session
from tests.report.conftest import MADE

A4_PT = (210 / 25.4 * 72, 297 / 25.4 * 72)


@pytest.fixture(scope="module")
def papers(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The demo's day, the season of it, and its passes 8 and 9, as PDF."""
    for tool in ("pdftotext", "pdftoppm"):
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed")
    folder = tmp_path_factory.mktemp("paper")
    session = load_session(sample_folder() / "session.toml")
    with Logbook.open(folder / "logbook.db", create=True) as book:
        add_session(book, session)
        numbers = {row.number: str(row.id) for row in rows.passes(book)}
        html = {
            "day": session_page(with_car(review_session(session)), made=MADE),
            "season": season_page(read_history(book), made=MADE),
            "compare": compare_page(read_comparison(book, [numbers[8], numbers[9]]), made=MADE),
        }
    context = browser.new_context(color_scheme="dark")
    made = {}
    for name, text in html.items():
        path = folder / f"{name}.html"
        path.write_text(text, encoding="utf-8")
        page = context.new_page()
        page.goto(path.as_uri())
        page.pdf(path=path.with_suffix(".pdf"), prefer_css_page_size=True, print_background=True)
        page.close()
        made[name] = path.with_suffix(".pdf")
    context.close()
    return made


def texts(pdf: Path) -> list[str]:
    done = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, check=True)
    return done.stdout.decode("utf-8").split("\f")[:-1]


@pytest.mark.parametrize("name", ["day", "season", "compare"])
def test_every_page_is_a4_white_and_told_on(papers: dict[str, Path], name: str, tmp_path: Path) -> None:
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", papers[name].read_bytes())
    assert boxes
    for box in boxes:
        assert [float(side) for side in box] == pytest.approx(A4_PT, abs=1)
    assert min(len(text.split()) for text in texts(papers[name])) > 40  # none blank, none with a line alone
    subprocess.run(["pdftoppm", "-r", "20", "-gray", str(papers[name]), str(tmp_path / "page")], check=True)
    images = sorted(tmp_path.glob("page*.pgm"))
    assert len(images) == len(boxes)
    for path in images:
        with Image.open(path) as image:
            # ink on white, though the computer is set to dark: a dark page would be below 60 of 255
            assert ImageStat.Stat(image).mean[0] > 200, path.name
            assert image.getpixel((1, 1)) > 250


def test_the_day_on_paper(papers: dict[str, Path]) -> None:
    pages = texts(papers["day"])
    assert len(pages) <= 1 + 2 * 10 + 1  # the day, at most two a pass, the closing
    assert "10 passes" in pages[0]
    for number, verdict in (
        (1, "trap and logs agree"),
        (5, "trap figure in doubt"),
        (10, "loggers missed the trap"),
    ):
        (own,) = [text for text in pages if re.match(rf"\s*Pass {number}\b", text)]
        for wanted in (verdict, "Estimate", "Speed along the line", "Through the trap", "run-up"):
            assert wanted in own, (number, wanted)
    # from each of the small charts to its pass, and from the table
    assert len(re.findall(rb"/Subtype /Link", papers["day"].read_bytes())) >= 20


def test_the_season_on_paper(papers: dict[str, Path]) -> None:
    pages = texts(papers["season"])
    assert len(pages) == 2
    assert "Every pass, and the best so far" in pages[0] and "Trap PB, step by step" in pages[0]
    assert "Noise is" in pages[0]  # with the steps that it explains
    listed = pages[1].partition("The passes, newest session first")[2]
    assert re.search(r"196\.9\s+196\.8 ± 0\.2", listed) and "trap figure in doubt" in listed


def test_passes_side_by_side_on_paper(papers: dict[str, Path]) -> None:
    pages = texts(papers["compare"])
    assert len(pages) == 2
    for title in ("What differs in the set-up", "Launch", "Current limit", "235 A", "250 A"):
        assert title in pages[0]
    assert "Speed over distance" in pages[1] and "In figures, every 50 m" in pages[1]
    table = pages[1].partition("In figures, every 50 m")[2]
    # not cut: every 50 m from 50 on, to the last mark before the shorter run ends
    marks = [int(found) for found in re.findall(r"^\s*(\d+)\s+[+-]", table, re.MULTILINE)]
    assert marks == list(range(50, marks[-1] + 1, 50)) and marks[-1] >= 600
