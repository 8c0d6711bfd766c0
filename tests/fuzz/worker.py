"""The process that fuzzes one importer under Atheris (libFuzzer for Python), which guides it by coverage.

Whatever goes wrong is written down, once for each kind and place, and the run goes on.
"""

from __future__ import annotations

import contextlib
import json
import os
import pkgutil
import random
import sys
import time
import traceback
import warnings
from importlib import import_module
from pathlib import Path
from typing import Any

LONGEST = 4096  # bytes of an input; longer ones are tried by `tests.fuzz.large`
SLOW_S = 0.5  # of processor time for so few, under instrumentation
STATE = "state.json"
_WRITE_EACH_S = 2.0


class Tally:
    """What was done so far, kept in the corpus's folder, so that a run goes on where the last one stopped."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / STATE
        self._written = time.monotonic()
        self.numbers: dict[str, Any] = {"inputs": 0, "read": 0, "refused": 0, "seconds": 0.0, "found": {}}
        if self._path.exists():
            self.numbers |= json.loads(self._path.read_text("utf-8"))

    def count(self, read: bool | None) -> None:
        self.numbers["inputs"] += 1
        if read is not None:
            self.numbers["read" if read else "refused"] += 1
        now = time.monotonic()
        if now - self._written >= _WRITE_EACH_S:
            self.numbers["seconds"] += now - self._written
            self._written = now
            self.write()

    def write(self) -> None:
        new = self._path.with_suffix(".new")
        new.write_text(json.dumps(self.numbers, indent=1), "utf-8")
        new.replace(self._path)

    def keep(self, folder: Path, key: str, data: bytes) -> None:
        """A failing input, once a kind; how often it came."""
        known = self.numbers["found"]
        if key not in known:
            number = len(known) + 1
            (folder / f"{number:03d}").write_bytes(data)
            print(f"found {number}: {key} ({len(data)} bytes)", file=sys.stderr, flush=True)
        known[key] = known.get(key, 0) + 1
        self.write()


def place_of(problem: BaseException) -> str:
    """The kind of a failure: its type and the innermost line of the project's own."""
    frames = traceback.extract_tb(problem.__traceback__)
    own = [item for item in frames if f"{os.sep}speedlog{os.sep}" in item.filename] or frames
    where = f"{Path(own[-1].filename).name}:{own[-1].lineno}" if own else "nowhere"
    return f"{type(problem).__name__} at {where}: {' '.join(str(problem).split())[:120]}"


def main() -> None:
    """`python -m tests.fuzz.worker IMPORTER CORPUS FOUND INPUTS SECONDS SEED`."""
    name, corpus, found, inputs, seconds, seed = sys.argv[1:]
    import atheris

    with atheris.instrument_imports(include=["speedlog.importers"]):
        package = import_module("speedlog.importers")
        for module in pkgutil.iter_modules(package.__path__, "speedlog.importers."):
            import_module(module.name)
        from tests.fuzz.check import CHECKS
        from tests.fuzz.mutate import mutated
    warnings.simplefilter("error")  # a user would see them on the terminal
    check, tally = CHECKS[name], Tally(Path(corpus).parent)
    chance = random.Random(int(seed) + tally.numbers["inputs"])
    pool: list[bytes] = [b""]

    def one_input(data: bytes) -> None:
        started, read = time.process_time(), None
        try:
            read = check(data)
        except BaseException as problem:
            if isinstance(problem, KeyboardInterrupt):
                raise
            tally.keep(Path(found), place_of(problem), data)
        if time.process_time() - started > SLOW_S:
            tally.keep(Path(found), "slow", data)
        tally.count(read)

    def change(data: bytes, most: int, wish: int) -> bytes:
        if chance.random() < 0.3:
            return atheris.Mutate(data, most)
        pool[chance.randrange(len(pool))] = data
        if len(pool) < 64:
            pool.append(data)
        return mutated(name, data, chance.choice(pool), chance, most)

    options = [f"-runs={inputs}", f"-max_total_time={seconds}", f"-seed={seed}", f"-max_len={LONGEST}",
               "-print_final_stats=1", "-rss_limit_mb=2048", "-timeout=60", f"-artifact_prefix={found}/died_",
               corpus]  # fmt: skip
    atheris.Setup([sys.argv[0], *options], one_input, custom_mutator=change)
    with contextlib.suppress(KeyboardInterrupt):
        atheris.Fuzz()


if __name__ == "__main__":
    main()
