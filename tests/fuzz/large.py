"""Inputs blown up to 10 MB, each read in a process of its own: at most 2 s of processor time, at most 1 GiB.

What is slow or fills memory shows only at this size; the forms come from the corpus that fuzzing gathered.
"""

from __future__ import annotations

import multiprocessing
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection
from random import Random

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, delimited, detect, gpx, nmea
from speedlog.importers.packed import is_packed, open_packed

SIZE = 10_000_000  # bytes
MOST_S, MOST_MIB = 2.0, 1024.0
PATIENCE_S = 60.0  # then it hangs
WAYS = ("again", "line", "lines", "one line", "number", "blank", "jumbled")


@dataclass(frozen=True)
class Cost:
    """What one input cost: processor time in s, the process's greatest memory in MiB."""

    way: str
    seconds: float
    mib: float
    failure: str = ""

    @property
    def too_much(self) -> bool:
        return bool(self.failure) or self.seconds > MOST_S or self.mib > MOST_MIB


def blown_up(data: bytes, way: str, random: Random, size: int = SIZE) -> bytes:
    """`data` made `size` bytes long in one of `WAYS`."""
    lines = data.splitlines(keepends=True) or [b"\n"]
    at = random.randrange(len(lines))
    if way == "again":
        return (data * (size // (len(data) or 1) + 1))[:size]
    if way in ("line", "blank"):
        piece = (
            lines[at] if way == "line" else random.choice((b"\n", b"\r", b" ", b",", b"\0", b"$", b"<", b'"'))
        )
        count = max(0, size - len(data)) // len(piece)
        return b"".join((*lines[: at + 1], piece * count, *lines[at + 1 :]))
    if way == "lines":
        body = b"".join(lines[at:])
        return b"".join(lines[:at]) + body * (size // len(body))
    if way == "one line":
        flat = data.replace(b"\r", b"").replace(b"\n", random.choice((b"", b" ", b",")))
        return (flat * (size // (len(flat) or 1) + 1))[:size]
    if way == "number":
        spot = next(
            (place for place, byte in enumerate(data) if byte in b"0123456789" and place > len(data) // 2), 0
        )
        return (
            data[:spot]
            + random.choice((b"9", b"0", b".", b"-", b"1,")) * ((size - len(data)) // 2)
            + data[spot:]
        )
    some = [random.choice(lines) for _ in range(2000)]
    return (b"".join(some) * (size // max(1, sum(map(len, some))) + 1))[:size]


def cost_of(name: str, data: bytes, way: str) -> Cost:
    """Read in a process of its own."""
    context = multiprocessing.get_context("spawn" if sys.platform == "win32" else "forkserver")
    context.set_forkserver_preload([__name__])  # else each process would import everything anew
    mine, its = context.Pipe(duplex=False)
    process = context.Process(target=_read, args=(name, data, way, its), daemon=True)
    process.start()
    its.close()
    try:
        if mine.poll(PATIENCE_S):
            found: Cost = mine.recv()
            return found
        return Cost(way, PATIENCE_S, 0.0, "hangs")
    except EOFError:
        return Cost(way, 0.0, 0.0, "the process died")
    finally:
        process.kill()
        process.join()


def costs(name: str, corpus: Sequence[bytes], count: int, random: Random) -> list[tuple[Cost, bytes]]:
    """Of `count` blown-up inputs, ways in turn; each with what it was blown up from."""
    found = []
    for number in range(count):
        seed, way = random.choice(corpus), WAYS[number % len(WAYS)]
        found.append((cost_of(name, blown_up(seed, way, random), way), seed))
    return found


def _read(name: str, data: bytes, way: str, out: Connection) -> None:
    started, failure = time.process_time(), ""
    try:
        _whole(name, data)
    except SpeedlogError:
        pass
    except Exception as problem:  # noqa: BLE001 (whatever gets out is what is looked for)
        failure = f"{type(problem).__name__}: {problem}"[:200]
    out.send(Cost(way, time.process_time() - started, _greatest_mib(), failure))
    out.close()


def _whole(name: str, data: bytes) -> None:
    source, options = Source("log", data), ReadOptions()
    if name == "packed":
        _ = open_packed(source, options) if is_packed(data) else detect(source).read(source, options)
        return
    importer = {"nmea": nmea, "gpx": gpx, "delimited": delimited}[name]
    importer.read(source, options)


def _greatest_mib() -> float:
    """The most memory this process ever held; 0 where the system has no such count."""
    try:
        import resource
    except ImportError:
        return 0.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform == "linux" else 1 << 20)
