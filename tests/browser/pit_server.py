"""`speedlog pit` as a process of its own, as a user starts it."""

from __future__ import annotations

import os
import queue
import re
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path

_PATIENCE_S = 60.0


@dataclass
class Served:
    """A running pit page."""

    process: subprocess.Popen[str]
    address: str
    port: int
    logbook: Path

    def stop(self) -> None:
        """As Ctrl-C does."""
        self.process.terminate()
        self.process.wait(_PATIENCE_S)

    def kill(self) -> None:
        """As a flat battery does."""
        self.process.kill()
        self.process.wait(_PATIENCE_S)


def serve(logbook: Path, *more: str) -> Served:
    """Start it on any free port, and wait until it says where it listens."""
    port = [] if "--port" in more else ["--port", "0"]
    command = [
        sys.executable,
        "-m",
        "speedlog",
        "pit",
        *port,
        "--no-browser",
        "--logbook",
        str(logbook),
        *more,
    ]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, encoding="utf-8", env={**os.environ, "PYTHONUTF8": "1"}
    )
    said: queue.Queue[str] = queue.Queue()
    assert process.stdout is not None
    out = process.stdout

    def read() -> None:
        for line in out:
            said.put(line)
        out.close()

    threading.Thread(target=read, daemon=True).start()
    try:
        while True:
            found = re.search(r"http://127\.0\.0\.1:(\d+)/", said.get(timeout=_PATIENCE_S))
            if found:
                return Served(process, found[0], int(found[1]), logbook)
    except queue.Empty:
        process.kill()
        raise
