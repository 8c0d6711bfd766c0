"""A watched folder, as a card reader is: new logs are taken when they stop growing."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook.add import FileOptions
from speedlog.pit.keeper import Keeper
from speedlog.pit.words import Told, added_words, error_words


@dataclass(frozen=True)
class _Look:
    size: int
    changed_ns: int


class Watch:
    """Looks at a folder from a thread of its own; what lies there at the start is left alone."""

    def __init__(self, folder: Path, keeper: Keeper) -> None:
        """
        Raises:
            SpeedlogError: a file, not a folder.
        """
        if folder.exists() and not folder.is_dir():
            raise SpeedlogError("not a folder", file=folder, todo="Name the folder that the logs come into.")
        self._folder, self._keeper = folder, keeper
        self._settings = keeper.settings.pit
        self._known: dict[Path, _Look] = self._looked()
        self._growing: dict[Path, tuple[_Look, float]] = {}
        self._left: list[
            Path
        ] = []  # that are no pass by themselves: a controller's log waits for its GNSS log
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()

    def _run(self) -> None:
        while not self._stop.wait(self._settings.look_s):
            self.look(time.monotonic())

    def look(self, now: float) -> None:
        """One look at the folder, at a moment in seconds; takes what has settled."""
        seen = self._looked()
        for path, look in seen.items():
            if self._known.get(path) == look:
                continue
            before = self._growing.get(path)
            if before is None or before[0] != look:
                self._growing[path] = (look, now)
        for path in [path for path in self._growing if path not in seen]:
            del self._growing[path]
        if not self._growing or any(
            now - since < self._settings.settle_s for _, since in self._growing.values()
        ):
            return  # logs of one pass come together: the last of them is waited for
        ready = [path for path, (look, _) in self._growing.items() if look.size]
        self._known |= {path: look for path, (look, _) in self._growing.items()}
        self._growing = {}
        if ready:
            self._take(ready)

    def _take(self, paths: Sequence[Path]) -> None:
        """Keep logs together; where that fails, each by itself, so that one bad file holds up no other."""
        if self._kept([*self._left, *paths]):
            self._left = []
            return
        failed = [path for path in paths if len(paths) == 1 or not self._kept([path])]
        self._left = [path for path in [*self._left, *failed] if path.exists()][-self._settings.most_files :]

    def _kept(self, paths: Sequence[Path]) -> bool:
        try:
            done = self._keeper.add([path for path in paths if path.exists()], FileOptions())
        except SpeedlogError as error:
            names = ", ".join(plain(path.name, 40) for path in paths[:4])
            self._keeper.last_watch = Told(
                f"From the watched folder, {names}: {error_words(error)}", bad=True
            )
            return False
        told = added_words(done)
        self._keeper.last_watch = Told(f"From the watched folder. {told.head}", told.more, told.bad)
        return True

    def _looked(self) -> dict[Path, _Look]:
        """Files in the folder and one folder down, as cards have them; hidden ones are left out."""
        found: dict[Path, _Look] = {}
        try:
            entries = [item for item in self._folder.iterdir() if not item.name.startswith((".", "~"))]
            inner = [
                item
                for folder in entries
                if folder.is_dir() and not folder.is_symlink()
                for item in folder.iterdir()
            ]
        except OSError:  # the card was taken out
            return {}
        for path in [*entries, *inner]:
            try:
                state = path.stat()
                if path.is_file() and not path.name.startswith((".", "~")):
                    found[path] = _Look(state.st_size, state.st_mtime_ns)
            except OSError:
                continue
        return found
