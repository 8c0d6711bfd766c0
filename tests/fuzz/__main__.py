"""`python -m tests.fuzz IMPORTER`: a long fuzzing run, guided by coverage; stop it any time, run it again to go on."""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from random import Random

from tests.fuzz.check import CHECKS, check_whole
from tests.fuzz.large import MOST_MIB, MOST_S, costs
from tests.fuzz.seeds import seeds
from tests.fuzz.worker import Tally, place_of

_LARGE = 70  # inputs of 10 MB: each way of blowing up ten times


def main(arguments: list[str] | None = None) -> int:
    """Fuzz until the inputs or the minutes of the whole corpus are reached; 1 if anything was ever found."""
    asked = _arguments(arguments)
    folder = asked.corpus / asked.importer
    corpus, found = folder / "corpus", folder / "found"
    for path in (corpus, found):
        path.mkdir(parents=True, exist_ok=True)
    for data in seeds(asked.importer):
        (corpus / hashlib.sha256(data).hexdigest()[:32]).write_bytes(data)
    before = Tally(folder).numbers
    inputs = asked.inputs - before["inputs"]
    seconds = round(60 * asked.minutes - before["seconds"])
    if inputs <= 0 or seconds <= 0:
        print(
            f"{asked.importer}: all done already; ask for more inputs and more minutes, or take another --corpus"
        )
    elif importlib.util.find_spec("atheris") is None:
        print('Atheris is not installed (Linux and macOS): pip install "atheris>=3"', file=sys.stderr)
        return 2
    else:
        _run_worker(asked, corpus, found, inputs, seconds)
    texts = [*_whole(corpus, found, folder), *_large(asked, corpus, found, folder)]
    tally = Tally(folder).numbers
    kept = sum(1 for _ in corpus.iterdir())
    print(
        f"{asked.importer}: {tally['inputs']} inputs in {tally['seconds'] / 60:.1f} min ({tally['read']} read, "
        f"{tally['refused']} refused), {kept} kept in the corpus, {len(tally['found'])} kinds of trouble"
    )
    for text in texts:
        print(text)
    for number, (key, count) in enumerate(tally["found"].items(), start=1):
        print(f"  {found / f'{number:03d}'}: {key} ({count} times)")
    return int(bool(tally["found"]))


def _arguments(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("importer", choices=sorted(CHECKS))
    parser.add_argument("--inputs", type=int, default=500_000, help="of all runs together (500000)")
    parser.add_argument("--minutes", type=float, default=30.0, help="of all runs together (30)")
    parser.add_argument("--corpus", type=Path, default=Path(".fuzz"), help="where the corpus is kept (.fuzz)")
    parser.add_argument(
        "--large", type=int, default=_LARGE, help=f"inputs of 10 MB tried at the end ({_LARGE})"
    )
    return parser.parse_args(arguments)


def _run_worker(asked: argparse.Namespace, corpus: Path, found: Path, inputs: int, seconds: int) -> None:
    """Atheris ends its process; what it says goes to a file, the tally is read afterwards."""
    command = [sys.executable, "-m", "tests.fuzz.worker", asked.importer, corpus, found, inputs, seconds, 1]
    with (corpus.parent / "atheris.txt").open("ab") as log:
        process = subprocess.Popen([str(part) for part in command], stdout=log, stderr=log)
        try:
            while process.poll() is None:
                time.sleep(1.0)
                _progress(corpus.parent)
        except KeyboardInterrupt:
            process.terminate()
            process.wait()
    if sys.stderr.isatty():
        print(file=sys.stderr)
    if process.returncode:
        print(
            f"the run ended by itself with {process.returncode}: see {corpus.parent / 'atheris.txt'}",
            file=sys.stderr,
        )
    for path in found.glob("died_*"):  # the process itself died: memory, a crash in C, a time-out
        tally = Tally(corpus.parent)
        tally.keep(found, f"died: {path.name}", path.read_bytes())
        path.unlink()


def _progress(folder: Path) -> None:
    if sys.stderr.isatty():
        now = Tally(folder).numbers
        text = f"\r{now['inputs']} inputs, {now['seconds'] / 60:.1f} min, {len(now['found'])} found"
        print(text, end="", file=sys.stderr, flush=True)


def _whole(corpus: Path, found: Path, folder: Path) -> list[str]:
    """Every kept input through the whole of `inspect`."""
    tally, paths = Tally(folder), sorted(corpus.iterdir())
    with tempfile.TemporaryDirectory() as scratch:
        for path in paths:
            data = path.read_bytes()
            try:
                check_whole(data, Path(scratch))
            except Exception as problem:  # noqa: BLE001 (whatever gets out is what is looked for)
                tally.keep(found, f"inspect: {place_of(problem)}", data)
    return [f"  {len(paths)} of the corpus went through inspect"]


def _large(asked: argparse.Namespace, corpus: Path, found: Path, folder: Path) -> list[str]:
    """Some of the corpus blown up to 10 MB."""
    if asked.large < 1:
        return []
    forms = [path.read_bytes() for path in sorted(corpus.iterdir())]
    tried = costs(asked.importer, forms, asked.large, Random(asked.large))
    tally = Tally(folder)
    for cost, seed in tried:
        if cost.too_much:
            what = cost.failure or f"{cost.seconds:.1f} s, {cost.mib:.0f} MiB"
            tally.keep(found, f"10 MB, {cost.way}: {what}", seed)
    slowest = max(tried, key=lambda item: item[0].seconds)[0]
    fullest = max(item.mib for item, _ in tried)
    return [
        f"  {len(tried)} of 10 MB: slowest {slowest.seconds:.2f} s ({slowest.way}; limit {MOST_S:g} s), "
        f"most memory {fullest:.0f} MiB (limit {MOST_MIB:.0f} MiB)"
    ]


if __name__ == "__main__":
    sys.exit(main())
