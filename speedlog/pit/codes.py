"""The code by which a phone gets in with `--lan`: shown in the terminal, good once; then the next one is shown."""

from __future__ import annotations

import hmac
import secrets
import threading
from collections.abc import Callable

from speedlog.settings.pit import PitSettings

COOKIE = "speedlog_pit"
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"  # 32, none that looks like another


class Codes:
    """Codes and the keys that phones got for them; all of it is gone when the server stops."""

    def __init__(self, settings: PitSettings, show: Callable[[str], None]) -> None:
        """`show` is told each new code."""
        self._settings, self._show = settings, show
        self._lock = threading.Lock()
        self._code = self._new()
        self._keys: set[str] = set()
        self._wrong = 0

    @property
    def code(self) -> str:
        return self._code

    def take(self, typed: str) -> str | None:
        """The key for a right code, which is used up by it; None for a wrong one, or after too many of them."""
        told = "".join(typed.upper().split()).replace("-", "")
        with self._lock:
            if self.is_shut or not hmac.compare_digest(told.encode(), self._code.encode()):
                self._wrong += 1
                return None
            self._code = self._new()
            key = secrets.token_urlsafe(32)
            self._keys.add(key)
            self._wrong = 0
        self._show(self._code)
        return key

    @property
    def is_shut(self) -> bool:
        return self._wrong >= self._settings.code_tries

    def is_known(self, key: str) -> bool:
        with self._lock:
            return any(hmac.compare_digest(key.encode(), known.encode()) for known in self._keys)

    def _new(self) -> str:
        return "".join(secrets.choice(_LETTERS) for _ in range(self._settings.code_letters))
