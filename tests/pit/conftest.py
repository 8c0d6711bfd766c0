"""The pit page without a network: its application, asked directly, over a logbook of its own."""

from __future__ import annotations

import asyncio
import re
import shutil
import tomllib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

# ruff: noqa: E402
for name in ("starlette", "uvicorn", "python_multipart", "httpx"):
    pytest.importorskip(name, reason="the pit page's libraries are not installed")

import httpx

from speedlog.demo import sample_folder
from speedlog.logbook import rows
from speedlog.logbook.store import Logbook
from speedlog.pit.guard import Doors
from speedlog.pit.keeper import Keeper
from speedlog.pit.server import make_app
from speedlog.pit.site import Site
from speedlog.pit.uploads import Desk

PORT = 8417
SAMPLE = sample_folder()
DAY = tomllib.loads((SAMPLE / "session.toml").read_text(encoding="utf-8"))


class Client:
    """Asks an application as a browser would, each question in a loop of its own; keeps cookies."""

    def __init__(self, app: Any, peer: tuple[str, int]) -> None:
        self._app, self._peer = app, peer
        self.cookies = httpx.Cookies()

    def request(self, method: str, path: str, **more: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(self._app, client=self._peer)
            async with httpx.AsyncClient(
                transport=transport, base_url=f"http://127.0.0.1:{PORT}", cookies=self.cookies
            ) as client:
                answer = await client.request(method, path, **more)
                self.cookies.update(client.cookies)
                return answer

        # in a thread of its own: browser tests on the same worker may have left a loop running in this one
        with ThreadPoolExecutor(1) as pool:
            return pool.submit(lambda: asyncio.run(ask())).result()

    def get(self, path: str, **more: Any) -> httpx.Response:
        return self.request("GET", path, **more)

    def post(self, path: str, **more: Any) -> httpx.Response:
        return self.request("POST", path, **more)


@dataclass
class Pit:
    """The page, and what lies behind it."""

    client: Client
    site: Site

    def send(self, *names: str, **fields: str) -> Any:
        """Sample logs dropped, with what is typed."""
        return self.send_bytes({name: (SAMPLE / name).read_bytes() for name in names}, **fields)

    def send_bytes(self, files: dict[str, bytes], **fields: str) -> Any:
        sent = [("logs", (name, data)) for name, data in files.items()]
        return self.client.post("/files", files=sent, data=fields)

    def passes(self) -> list[rows.PassRow]:
        with self.site.keeper.book() as book:
            return rows.passes(book)

    def count(self, table: str) -> int:
        with self.site.keeper.book() as book:
            row = book.row(f"SELECT count(*) AS n FROM {table}")
        assert row is not None
        return int(row["n"])


def of(path: Path, doors: Doors | None = None, client: tuple[str, int] = ("127.0.0.1", 50000)) -> Pit:
    keeper = Keeper(path)
    site = Site(keeper, Desk(keeper.settings.pit))
    app = make_app(site, doors or Doors(PORT))
    return Pit(Client(app, client), site)


@pytest.fixture
def empty(tmp_path: Path) -> Pit:
    """A page over an empty logbook."""
    return of(tmp_path / "logbook.db")


@pytest.fixture(scope="session")
def _kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pit") / "logbook.db"
    pit = of(path)
    assert pit.send("p01_front.nmea", "p01_rear.csv").status_code == 303
    made = {"name": "Oldfen runway", "entry": "520", "length": "30 m", "trap": "160.0", "unit": "mph"}
    assert pit.client.post("/pass/1/course", data=made).status_code == 303
    assert pit.send("p05_front.nmea", "p05_rear.csv", trap="198.4", unit="mph").status_code == 303
    with Logbook.open(path) as book:
        book.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


@pytest.fixture
def two(tmp_path: Path, _kept: Path) -> Pit:
    """A page over two kept passes: 1 agrees with its trap figure, 2 has one in doubt."""
    shutil.copy(_kept, tmp_path / "logbook.db")
    return of(tmp_path / "logbook.db")


@pytest.fixture
def page_text() -> Callable[[Any], str]:
    return text_of


def text_of(answer: Any) -> str:
    """What a reader sees of a page: no elements, one blank between words."""
    bare = re.sub(r"<(script|style)\b.*?</\1>|<[^>]+>", " ", answer.text, flags=re.DOTALL)
    for mark, character in (("&#39;", "'"), ("&lt;", "<"), ("&gt;", ">"), ("&#34;", '"'), ("&amp;", "&")):
        bare = bare.replace(mark, character)
    return " ".join(bare.split())
