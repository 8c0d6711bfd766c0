"""The benchmarks: python -m tests.benchmarks.run WHAT [options]; --help lists them."""

from __future__ import annotations

import argparse
import platform
import tempfile
import time
from pathlib import Path

from speedlog.demo.families import FAMILIES, MAIN_FAMILIES
from tests.benchmarks import (
    accuracy,
    estimate,
    faults,
    forecast,
    importers,
    kills,
    logbook_scale,
    one_pass,
    pages,
    pit,
    startup,
    tables,
    widths,
)
from tests.benchmarks.table import save_json, text_table


def main() -> None:
    """Run what was asked for, print its table, keep its JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", type=Path, help="keep all figures in a file")
    what = parser.add_subparsers(dest="what", required=True)
    reading = what.add_parser("importers", help="time, memory and growth of reading, against other readers")
    reading.add_argument(
        "--share", type=float, default=1.0, help="of 500,000 sentences, 100,000 points, 1,000,000 rows"
    )
    reading.add_argument("--times", type=int, default=3)
    reading.add_argument("--seed", type=int, default=1)
    what.add_parser("review", help="time and memory of one review")
    started = what.add_parser("startup", help="CPU time of whole commands, against bare imports")
    started.add_argument("--times", type=int, default=7)
    served = what.add_parser("pit", help="from a dropped log to the verdict on the pit page; many uploads")
    served.add_argument("--uploads", type=int, default=200)
    served.add_argument("--at-once", type=int, default=8)
    drawn = what.add_parser("pages", help="size of the reports, and how soon one can be read, in chromium")
    drawn.add_argument("--times", type=int, default=9)
    timed = what.add_parser("estimate", help="CPU time of the estimate alone; ten passes against one")
    timed.add_argument("--seed", type=int, default=1)
    timed.add_argument("--times", type=int, default=20)
    found = what.add_parser("accuracy", help="error and coverage of the trap speed on simulated passes")
    found.add_argument("--passes", type=int, default=200, help="in all, spread over the families")
    found.add_argument("--each", type=int, help="so many a family instead")
    found.add_argument(
        "--families", nargs="*", default=list(MAIN_FAMILIES), choices=[*FAMILIES], metavar="FAMILY"
    )
    found.add_argument("--all-families", action="store_true")
    found.add_argument("--oracle", action="store_true", help="compare with a smoother that is told the truth")
    found.add_argument(
        "--miskeyed", action="store_true", help="review each pass a second time, its figure 3 to 15 %% off"
    )
    found.add_argument("--seed", type=int, default=20261)
    found.add_argument("--workers", type=int, default=2)
    found.add_argument(
        "--cache", type=Path, metavar="DIR", help="keep what doesn't hang on the estimator there"
    )
    faults.add_options(what)
    ended = what.add_parser(
        "kills", help="add, refresh and a migration of the logbook killed, and what is wrong after it"
    )
    ended.add_argument("--kills", type=int, default=240)
    ended.add_argument("--seed", type=int, default=1)
    scale = what.add_parser("logbook", help="history, add, size and season page of a logbook of many passes")
    scale.add_argument("--passes", type=int, default=1000)
    scale.add_argument("--times", type=int, default=9)
    scale.add_argument("--seed", type=int, default=1)
    forecast.add_options(what)
    options = parser.parse_args()
    start = time.perf_counter()
    if options.what == "importers":
        rows = importers.measure(options.seed, options.share, options.times)
        print(f"seed {options.seed}, 25 Hz; CPU time of the process, the least of {options.times}")
        print(f"memory at most {importers.MOST_MEMORY:g} times the file, ten times the data at most")
        print(f"{importers.MOST_GROWTH:g} times the time")
        print(text_table(rows, {"ratio": 2, "MB": 1, "memory / file": 2, "ten times the data": 2}))
        save_json(options.json, {"importers": rows, "seed": options.seed})
    elif options.what == "startup":
        with tempfile.TemporaryDirectory() as folder:
            rows = startup.measure(Path(folder), options.times)
        slowest = startup.imports()
        print(f"CPU time of whole processes, the least of {options.times}")
        print(text_table(rows), text_table(slowest, {"own ms": 1, "with its own imports ms": 1}), sep="\n\n")
        save_json(options.json, {"startup": rows, "imports": slowest})
    elif options.what == "pit":
        rows = pit.measure(options.uploads, options.at_once)
        print(text_table(rows, {"server MB": 0}))
        save_json(options.json, {"pit": rows})
    elif options.what == "pages":
        rows = pages.measure(options.times)
        print(text_table(rows, pages.DIGITS))
        save_json(options.json, {"pages": rows})
    elif options.what == "review":
        rows = one_pass.measure()
        print(text_table(rows, {"peak MB": 0}))
        save_json(options.json, {"review": rows})
    elif options.what == "estimate":
        both = estimate.measure(options.seed, options.times)
        print(
            f"seed {options.seed}; CPU time of one thread, median of {options.times} (of a quarter: ten passes)"
        )
        for part in both.values():
            print(text_table(part, {"times the peer": 1, "times one": 2}), end="\n\n")
        save_json(options.json, both)
    elif options.what == "kills":
        rows = kills.measure(options.kills, options.seed)
        print(f"seed {options.seed}; SIGKILL of a process, then the same work again in another")
        print(text_table(rows, {}))
        save_json(options.json, {"kills": rows, "seed": options.seed})
    elif options.what == "logbook":
        rows = logbook_scale.measure(options.passes, options.seed, options.times)
        print(
            f"seed {options.seed}; {options.passes} passes, two loggers of 25 Hz; medians of {options.times}"
        )
        print(text_table(rows, {"value": 3, "at most": 2}))
        save_json(options.json, {"logbook": rows, "seed": options.seed})
    elif options.what == "forecast":
        save_json(options.json, forecast.run(options))
    elif options.what == "faults":
        save_json(options.json, faults.run(options))
    else:
        _accuracy(options)
    print(f"\n{time.perf_counter() - start:.1f} s, Python {platform.python_version()}, {platform.system()}")


def _accuracy(options: argparse.Namespace) -> None:
    names = list(FAMILIES) if options.all_families else options.families
    each = options.each or max(1, round(options.passes / len(names)))
    passes = accuracy.measure(
        options.seed, names, each, options.workers, oracle=options.oracle, cache=options.cache,
        miskeyed=options.miskeyed,
    )  # fmt: skip
    rows = accuracy.table(passes, names)
    print(f"seed {options.seed}, {each} passes a family; root mean square error of the trap speed, m/s")
    print("95 %: how often the interval holds the truth; width: its median, m/s; z: rms error over its sd")
    if options.oracle:
        print(
            "oracle: told labels, noise, drifts, lags; sharp: the same, a wheel's slip by its own acceleration"
        )
    print(text_table(rows, accuracy.DIGITS))
    thirds = widths.by_width(passes, names)
    print("\nby thirds of the stated width: must be covered alike")
    print(text_table(thirds, widths.DIGITS))
    kept = {"seed": options.seed, "each": each, "table": rows, "thirds": thirds}
    for name, title, found, digits in tables.further(passes, names):
        print(f"\n{title}\n{text_table(found, digits)}")
        kept[name] = found
    for item in passes:
        if "failed" in item:
            print(f"failed: {item['family']} {item['index']}: {item['failed']}")
    save_json(options.json, kept | {"passes": passes})


if __name__ == "__main__":
    main()
