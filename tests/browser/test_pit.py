"""The pit page in a real browser: from nothing to the verdict, by mouse, by keyboard, without script; and its looks.

Accessibility is checked by axe-core against WCAG 2.2 AA (https://www.w3.org/TR/WCAG22/), bright and dark, wide and
at 360 px. Every request of the page must stay on its own server, and its console must stay silent.
"""

from __future__ import annotations

import base64
import csv
import json
import re
import socket
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

# ruff: noqa: E402
from speedlog.demo import sample_folder
from speedlog.logbook import rows
from speedlog.logbook.add import add_session
from speedlog.logbook.store import Logbook
from speedlog.logbook.verify import verify
from speedlog.session import load_session

for needed in ("starlette", "uvicorn", "python_multipart", "playwright"):
    pytest.importorskip(needed, reason=f"{needed} is not installed (speedlog[test])")

from tests.browser.pit_server import Served, serve

SAMPLE = sample_folder()
DAY = tomllib.loads((SAMPLE / "session.toml").read_text(encoding="utf-8"))
WCAG = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}
WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 360, "height": 740}


class Screen:
    """A page of a browser that notes what must not be: errors, and requests to elsewhere."""

    def __init__(self, browser: Any, served: Served, **context: Any) -> None:
        self.context = browser.new_context(base_url=served.address, **{"viewport": WIDE} | context)
        self.page = self.context.new_page()
        self.troubles: list[str] = []
        self.page.on(
            "console", lambda m: self.troubles.append(m.text) if m.type in ("error", "warning") else None
        )
        self.page.on("pageerror", lambda error: self.troubles.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.troubles.append("a dialog"), dialog.dismiss()))
        here = served.address

        def sent(request: Any) -> None:
            if not request.url.startswith(here):
                self.troubles.append(f"asked {request.url}")

        self.page.on("request", sent)

    def choose(self, *names: str) -> None:
        self.page.set_input_files("#logs", [str(SAMPLE / name) for name in names])

    def drop(self, *names: str) -> None:
        """Files let go over the page, as a file manager does it."""
        files = [[name, base64.b64encode((SAMPLE / name).read_bytes()).decode()] for name in names]
        held = self.page.evaluate_handle(
            """(files) => { const held = new DataTransfer();
            for (const [name, text] of files)
              held.items.add(new File([Uint8Array.from(atob(text), (c) => c.charCodeAt(0))], name));
            return held; }""",
            files,
        )
        for kind in ("dragenter", "dragover", "drop"):
            self.page.dispatch_event("main", kind, {"dataTransfer": held})

    def wait_for_pass(self, number: int) -> None:
        self.page.wait_for_url(re.compile(rf"/pass/{number}(\?|$)"))

    def text(self) -> str:
        return " ".join(self.page.inner_text("body").split())


@pytest.fixture
def screens() -> Iterator[list[Screen]]:
    """Those opened by a test: silent to the end."""
    opened: list[Screen] = []
    yield opened
    for screen in opened:
        screen.context.close()
        assert screen.troubles == []


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[Served]:
    """A page over an empty logbook."""
    served = serve(tmp_path / "logbook.db")
    yield served
    served.stop()


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A page over three passes of the invented meeting, one with a hostile note, one without a figure."""
    folder = tmp_path_factory.mktemp("pit")
    for number in (5, 9, 10):
        for name in DAY["pass"][number - 1]["logs"]:
            (folder / name).write_bytes((SAMPLE / name).read_bytes())
    (folder / "course.toml").write_bytes((SAMPLE / "course.toml").read_bytes())
    parts = ['name = "Day <b>one</b>"\ndate = 2026-08-22\ncourse = "course.toml"\ncar = "Long Shrike"\n']
    for number in (5, 9, 10):
        item = DAY["pass"][number - 1]
        trap = f'trap = "{item["trap"]}"\n' if number != 10 else ""
        note = "<script>window.caught = 1; alert(1)</script> \u202e" if number == 9 else "plain"
        parts.append(
            f"[[pass]]\nnumber = {number}\nlogs = {json.dumps(item['logs'])}\n{trap}note = {json.dumps(note)}\n"
            f'setup = {{ tyre = "t{number}", current_limit = "200 A" }}\n'
        )
    (folder / "session.toml").write_text("".join(parts), encoding="utf-8")
    with Logbook.open(folder / "logbook.db", create=True) as book:
        add_session(book, load_session(folder / "session.toml"))
    served = serve(folder / "logbook.db")
    yield served
    served.stop()


def test_from_nothing_to_the_first_verdict(browser: Any, fresh: Served, screens: list[Screen]) -> None:
    screen = Screen(browser, fresh)
    screens.append(screen)
    page = screen.page
    page.goto("/")
    assert "No pass yet." in screen.text()
    screen.drop("p01_front.nmea", "p01_rear.csv")
    screen.wait_for_pass(1)
    page.fill("input[name=name]", "Oldfen runway")
    page.fill("input[name=entry]", "520")
    page.fill("input[name=length]", "30 m")
    page.fill("#trap", "160.0")
    page.locator(".ask .choice label", has_text="mph").click()
    page.click("text=Keep the course")
    page.wait_for_selector("h1:has-text('Trap and logs agree')")
    page.wait_for_selector("#charts figure")
    # the next pass: dropped, then the figure; the unit is remembered
    screen.choose("p09_front.nmea", "p09_rear.csv")
    screen.wait_for_pass(2)
    assert page.evaluate("document.activeElement.id") == "trap"
    page.keyboard.type("196.9")
    page.keyboard.press("Enter")
    page.wait_for_selector("h1:has-text('Trap and logs agree')")
    assert "Trap 196.9 mph ± 0.5 mph" in screen.text()
    assert "Trap PB, 36.9 mph above the one before" in screen.text()
    page.locator(".passes .beside").click()
    page.wait_for_selector("h1:has-text('faster')")


def test_the_demo_day_replayed_gives_the_verdicts_of_its_session(
    browser: Any, fresh: Served, screens: list[Screen], tmp_path: Path
) -> None:
    """Pass by pass through the page, against `add` of sample_data/session.toml: the same verdicts and figures."""
    screen = Screen(browser, fresh)
    screens.append(screen)
    page = screen.page
    page.goto("/course")
    page.set_input_files("input[accept='.toml']", str(SAMPLE / "course.toml"))
    page.click("text=Take it")
    page.wait_for_url("**/day**")
    page.fill("input[name=car]", DAY["car"])
    page.fill("input[name=date]", "2026-08-22")
    page.fill("input[name=name]", "Replayed")
    page.click("text=Begin")
    page.wait_for_selector("text=Drop the first logs")
    for number, item in enumerate(DAY["pass"], start=1):
        screen.choose(*item["logs"])
        screen.wait_for_pass(number)
        text, _, unit = item["trap"].partition(" ")
        page.fill("#trap", text)
        page.locator(".ask .choice label", has_text=re.compile(rf"^\s*{unit}\s*$")).click()
        page.locator(".ask > details > summary").click()
        for key, value in item["setup"].items():
            field = page.locator(f"input[name=setup-{key}]")
            if not field.is_visible():
                page.locator(".ask .more summary").click()
            field.fill(str(value))
        page.fill("input[name=wind]", item["wind"])
        page.click("text=Keep the figure")
        page.wait_for_selector(".ask", state="detached")
        assert page.locator("[role=alert]").count() == 0
    page.goto("/")
    hottest = [_hottest(f"p{number:02d}_controller.csv") for number in (9, 10)]
    more = f"{hottest[1] - hottest[0]:.0f} °C more"
    assert f"Motor, hottest {hottest[1]:.0f} °C {more}" in screen.text().replace("\u00a0", " ")
    assert page.locator(".cost thead th").all_inner_texts() == ["Pass 10", "against pass 9"]
    with Logbook.open(tmp_path / "other.db", create=True) as book:
        add_session(book, load_session(SAMPLE / "session.toml"))
        wanted = [_outcome(row) for row in rows.passes(book)]
    with Logbook.open(fresh.logbook) as book:
        assert [_outcome(row) for row in rows.passes(book)] == wanted
        assert len({row.session for row in rows.passes(book)}) == 1


def _hottest(name: str) -> float:
    """The highest motor temperature of a controller's log, by the standard library alone."""
    with (SAMPLE / name).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    key = next(key for key in rows[0] if "motor" in key.lower() and "temp" in key.lower())
    return max(float(row[key]) for row in rows if row[key])


def _outcome(row: rows.PassRow) -> tuple[Any, ...]:
    found = row.result
    assert found is not None and found.estimate_mps is not None
    return row.number, found.verdict, found.official_mps, round(found.estimate_mps, 6), dict(row.setup)


PATHS = (
    "/", "/pass/2", "/pass/1", "/pass/3/amend", "/days", "/day", "/day/1", "/course", "/compare/1/2",
    "/pass/2/charts", "/no",
)  # fmt: skip


@pytest.mark.parametrize(("size", "look"), [(WIDE, "light"), (PHONE, "dark")], ids=["wide", "phone"])
def test_every_screen_keeps_wcag_and_its_width(
    browser: Any, kept: Served, screens: list[Screen], size: dict[str, int], look: str
) -> None:
    name = "axe_playwright_python.sync_playwright"
    axe = pytest.importorskip(name, reason="axe-playwright-python is not installed").Axe()
    screen = Screen(browser, kept, viewport=size, color_scheme=look)
    screens.append(screen)

    def check(path: str) -> None:
        found = axe.run(screen.page, options=WCAG).response["violations"]
        assert [f"{item['id']}: {node['target']}" for item in found for node in item["nodes"]] == [], path
        wide = screen.page.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert wide <= 0, (path, wide)

    for path in PATHS:
        screen.page.goto(path)
        if screen.page.locator("#charts[data-src]").count():
            screen.page.wait_for_selector("#charts figure")
        check(path)
    for chosen in ("bright", "dark"):  # against what the computer is set to
        screen.page.goto("/pass/3")
        screen.page.click(f"button[value={chosen}]")
        screen.page.wait_for_selector(f":root[data-look={chosen}]")
        check(chosen)
    screen.troubles = [text for text in screen.troubles if "404" not in text]  # of /no, as meant


# Visible things to tap that are smaller than 44 px in one direction (WCAG 2.2, 2.5.5: AAA, but hands are cold). The
# file field is a pixel because the whole panel around it is its label.
_SMALL = """() => [...document.querySelectorAll(
    "a, button, input:not([type=hidden], [type=file]), summary, textarea, .choice label, label.files")]
  .filter((item) => { const box = item.getBoundingClientRect(); return box.width && box.height && !item.closest(".skip")
    && getComputedStyle(item).visibility !== "hidden" && (box.width < 43.9 || box.height < 43.9); })
  .map((item) => item.outerHTML.slice(0, 120))"""


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_everything_to_tap_is_large_enough_for_cold_hands(
    browser: Any, kept: Served, screens: list[Screen], size: dict[str, int]
) -> None:
    screen = Screen(browser, kept, viewport=size)
    screens.append(screen)
    for path in PATHS:
        screen.page.goto(path)
        assert screen.page.evaluate(_SMALL) == [], path
    screen.troubles = [text for text in screen.troubles if "404" not in text]  # of /no, as meant


def test_a_mistake_is_told_beside_its_field_which_has_the_focus(
    browser: Any, fresh: Served, screens: list[Screen]
) -> None:
    screen = Screen(browser, fresh, viewport=PHONE)
    screens.append(screen)
    page = screen.page
    page.goto("/")
    screen.choose("p01_front.nmea", "p01_rear.csv")
    screen.wait_for_pass(1)
    typed = {"name": "Oldfen runway", "entry": "52o", "length": "30 m", "trap": "160.0"}

    def keep(wrong: str, told: str) -> None:
        for name, text in typed.items():
            page.fill(f".ask input[name={name}]", text)
        page.click("text=Keep the course")
        page.wait_for_selector(f".ask input[name={wrong}][aria-invalid]")
        assert page.evaluate("document.activeElement.name") == wrong
        assert told in page.inner_text("#error") and page.locator("[role=alert]").count() == 1
        box = page.locator("#error").bounding_box()
        assert box is not None and 0 <= box["y"] < PHONE["height"]  # it is on the screen
        for name, text in typed.items():
            assert page.input_value(f".ask input[name={name}]") == text

    keep("entry", "is not a unit of length")
    typed |= {"entry": "520", "trap": "16o"}
    keep("trap", "is no trap figure")
    typed |= {"trap": "160.0"}
    keep("trap", "Tap the unit")
    page.locator(".ask .choice label", has_text="mph").click()
    page.click("text=Keep the course")
    page.wait_for_selector("h1:has-text('Trap and logs agree')")
    screen.troubles = [text for text in screen.troubles if "422" not in text]  # as meant


def test_keyboard_alone_suffices(browser: Any, kept: Served, screens: list[Screen]) -> None:
    screen = Screen(browser, kept)
    screens.append(screen)
    page = screen.page
    page.goto("/pass/3")

    def to(wanted: str, most: int = 60) -> None:
        for _ in range(most):
            page.keyboard.press("Tab")
            if page.evaluate("(wanted) => document.activeElement.matches(wanted)", wanted):
                outline = page.evaluate("""() => { const item = document.activeElement;
                    const seen = item.matches('.choice input') ? item.nextElementSibling
                      : item.type === 'file' ? item.parentElement.querySelector('.files') : item;
                    return getComputedStyle(seen).outlineStyle; }""")
                assert outline == "solid", wanted
                return
        raise AssertionError(f"{wanted} is not reached by Tab")

    to("#logs")  # the place to drop is a file field
    page.goto("/pass/3")
    page.wait_for_function(
        "() => document.activeElement.matches('input[autofocus]')"
    )  # it has the focus from the start
    page.keyboard.type("191.3")
    page.keyboard.press("Enter")
    page.wait_for_selector("h1:has-text('missed the trap')")
    to("a[href='/compare/2/3']")
    page.keyboard.press("Enter")
    page.wait_for_selector("h1:has-text('Pass 10 was')")
    page.go_back()
    to("a[href='/pass/3/amend']", 80)
    page.keyboard.press("Enter")
    page.wait_for_url("**/amend")
    to("#trap")
    page.keyboard.press("Control+A")
    page.keyboard.type("190.0 mph")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Put right: trap figure 191.3 mph → 190.0 mph")
    to(".undo button", 80)
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Undone")
    page.goto("/pass/3/amend")
    page.fill("#trap", "")
    page.keyboard.press("Enter")  # as it was before this test
    page.wait_for_selector("text=What did they read out?")


def test_without_script_every_step_still_works(browser: Any, fresh: Served, screens: list[Screen]) -> None:
    screen = Screen(browser, fresh, java_script_enabled=False)
    screens.append(screen)
    page = screen.page
    page.goto("/course")
    page.set_input_files("input[accept='.toml']", str(SAMPLE / "course.toml"))
    page.click("text=Take it")
    page.goto("/")
    screen.choose("p01_front.nmea")
    page.click("text=Figure known already?")
    page.fill("#early", "160.0")
    page.locator("#drop .choice label", has_text="mph").click()
    page.click("text=Keep them")
    page.wait_for_selector("h1:has-text('Trap and logs agree')")
    page.click("text=Show the charts")
    assert page.locator("figure").count() == 2
    page.goto("/")
    screen.choose("p01_front.nmea")
    page.click("text=Keep them")
    assert "Nothing was kept twice" in screen.text()


def test_a_note_with_a_script_is_only_text(browser: Any, kept: Served, screens: list[Screen]) -> None:
    screen = Screen(browser, kept)
    screens.append(screen)
    for path in ("/pass/2", "/pass/2/amend", "/days"):
        screen.page.goto(path)
        assert screen.page.evaluate("window.caught") is None
    screen.page.goto("/pass/2")
    assert "<script>window.caught = 1; alert(1)</script>" in screen.page.inner_text(".note")
    assert "Day <b>one</b>" in screen.page.inner_text(".top")


def test_a_server_that_is_gone_is_told_and_the_files_can_be_dropped_again(
    browser: Any, fresh: Served
) -> None:
    screen = Screen(browser, fresh)
    screen.page.goto("/")
    fresh.kill()
    screen.drop("p01_front.nmea")
    screen.page.wait_for_selector("#status:has-text('does not answer')")
    again = serve(fresh.logbook, "--port", str(fresh.port))
    try:
        screen.drop("p01_front.nmea")
        screen.wait_for_pass(1)
    finally:
        screen.context.close()
        again.stop()


def test_a_server_killed_in_mid_upload_keeps_nothing_of_it(browser: Any, tmp_path: Path) -> None:
    """SIGKILL with half of the bytes received; then the same logbook again: sound, empty, and the pass goes in."""
    served = serve(tmp_path / "logbook.db")
    data = (SAMPLE / "p01_front.nmea").read_bytes()
    head = b'--cut\r\nContent-Disposition: form-data; name="logs"; filename="p01_front.nmea"\r\n\r\n'
    whole = head + data + b"\r\n--cut--\r\n"
    with socket.create_connection(("127.0.0.1", served.port), timeout=30) as line:
        line.sendall(
            f"POST /files HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nContent-Length: {len(whole)}\r\n"
            "Content-Type: multipart/form-data; boundary=cut\r\n\r\n".encode()
        )
        line.sendall(whole[: len(whole) // 2])
        served.kill()
    with Logbook.open(served.logbook) as book:
        assert verify(book).sound and rows.passes(book) == [] and rows.recordings(book) == []
    again = serve(served.logbook)
    screen = Screen(browser, again)
    try:
        screen.page.goto("/")
        screen.choose("p01_front.nmea")
        screen.wait_for_pass(1)
    finally:
        screen.context.close()
        again.stop()
    with Logbook.open(served.logbook) as book:
        assert len(rows.passes(book)) == 1


def test_a_new_file_on_the_card_comes_to_the_screen_by_itself(
    browser: Any, tmp_path: Path, screens: list[Screen]
) -> None:
    card = tmp_path / "card"
    card.mkdir()
    served = serve(tmp_path / "logbook.db", "--watch", str(card))
    try:
        screen = Screen(browser, served)
        screens.append(screen)
        screen.page.goto("/")
        assert str(card) in screen.text()
        (card / "LOG.NMEA").write_bytes((SAMPLE / "p01_front.nmea").read_bytes())
        screen.page.wait_for_selector("text=From the watched folder. Kept as pass 1.")
    finally:
        served.stop()
