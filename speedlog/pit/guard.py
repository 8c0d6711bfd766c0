"""Who may ask, and what every answer says: Host, Origin and code are checked before anything else is read.

The page listens on this computer alone. A web page from elsewhere, open in the same browser, must neither read
nor change anything: a name that was made to point here has the wrong Host (DNS rebinding), a form or script of
another site has the wrong Origin (RFC 6454; the Fetch standard's Sec-Fetch-Site), and no answer may be framed
or embedded.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from urllib.parse import urlsplit

from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from speedlog.pit.codes import COOKIE, Codes

# Referrer-Policy is not no-referrer: browsers then send "Origin: null" with the page's own forms
HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
_LONGEST_LENGTH = 18  # digits of a content-length
_OPEN_PATHS = ("/enter", "/style/")


@dataclass(frozen=True)
class Doors:
    """Under which names the page is known.

    Attributes:
        port: it listens on.
        codes: of `--lan`; None: this computer alone.
    """

    port: int
    codes: Codes | None = None

    def knows(self, host: str) -> bool:
        """Whether a Host header names this server: localhost, or with `--lan` an address of a private network.

        An address can't be made to point elsewhere, as a name can.
        """
        try:
            parts = urlsplit(f"//{host}")
            name, port = parts.hostname or "", parts.port or 80
        except ValueError:
            return False
        if port != self.port or parts.username is not None or parts.path:
            return False
        if name == "localhost":
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        if address.is_loopback:
            return True
        return self.codes is not None and address.is_private and not address.is_unspecified


class Guard:
    """The middleware. Refusals: 400 or 421 Host, 403 Origin, 405 method, 401 code,
    413 size."""

    def __init__(self, app: ASGIApp, doors: Doors, biggest_bytes: int) -> None:
        self._app, self._doors, self._biggest = app, doors, biggest_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return  # no web sockets here

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = list(message.get("headers", ()))
                there = {name.lower() for name, _ in given}
                more = [(name.encode(), text.encode()) for name, text in HEADERS.items()]
                if b"cache-control" not in there:
                    more.append((b"cache-control", b"no-store"))
                message = {**message, "headers": given + more}
            await send(message)

        refusal = self._refusal(scope)
        await (refusal or self._app)(scope, receive, dressed)

    def _refusal(self, scope: Scope) -> ASGIApp | None:
        headers: list[tuple[bytes, bytes]] = scope["headers"]
        hosts = _values(headers, b"host")
        if len(hosts) != 1:
            return _said(400, "One Host is needed.")
        if not self._doors.knows(hosts[0]):
            return _said(
                421, "This page is not known under that name. Open the address that speedlog pit printed."
            )
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return _said(405, "Not allowed.")
        if self._is_foreign(scope, headers, hosts[0]):
            return _said(403, "Asked by another site: refused, and nothing was changed.")
        size = _values(headers, b"content-length")
        if size and not (size[0].isascii() and size[0].isdigit()):
            return _said(400, "The length is no number.")
        if size and (len(size[0]) > _LONGEST_LENGTH or int(size[0]) > self._biggest):
            return _said(413, f"Too big: at most {self._biggest / 1e6:.0f} MB at once. Nothing was kept.")
        return self._without_code(scope, headers)

    def _is_foreign(self, scope: Scope, headers: list[tuple[bytes, bytes]], host: str) -> bool:
        """Whether another site's page asks for a change, or for something to embed."""
        site = _values(headers, b"sec-fetch-site")
        mode = _values(headers, b"sec-fetch-mode")
        if scope["method"] != "POST":
            return bool(site) and site[0] in ("cross-site", "same-site") and mode != ["navigate"]
        origins = _values(headers, b"origin")
        if any(origin != f"http://{host}" for origin in origins):
            return True
        return bool(site) and site[0] not in ("same-origin", "none")

    def _without_code(self, scope: Scope, headers: list[tuple[bytes, bytes]]) -> ASGIApp | None:
        codes, path = self._doors.codes, scope["path"]
        if codes is None or _is_here(scope) or path.startswith(_OPEN_PATHS):
            return None
        if codes.is_known(_cookie(headers)):
            return None
        if scope["method"] == "GET" and not path.startswith(("/news", "/pass/")):
            return RedirectResponse("/enter", 303)
        return _said(401, "Type the code first, at /enter.")


def _said(status: int, text: str) -> ASGIApp:
    return PlainTextResponse(text + "\n", status, {"connection": "close"})


def _is_here(scope: Scope) -> bool:
    """Whether the question comes from this computer."""
    client = scope.get("client")
    try:
        return client is not None and ipaddress.ip_address(client[0]).is_loopback
    except ValueError:
        return False


def _values(headers: Iterable[tuple[bytes, bytes]], name: bytes) -> list[str]:
    return [value.decode("latin-1") for key, value in headers if key == name]


def _cookie(headers: Iterable[tuple[bytes, bytes]]) -> str:
    for text in _values(headers, b"cookie"):
        jar: SimpleCookie = SimpleCookie()
        try:
            jar.load(text)
        except CookieError:
            continue
        if COOKIE in jar:
            return jar[COOKIE].value
    return ""
