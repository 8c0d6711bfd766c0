"""`speedlog demo`: the main job on the shipped invented meeting."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speedlog.cli.output import write_json, write_text
from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from speedlog.results import Pass, Review
    from speedlog.session import ReviewedPass, Session, SessionPass, SessionReview
    from speedlog.units import Unit

LOGBOOK = "season.db"
_MARK = "truth.json"  # in a folder that an earlier demo made


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="[DIR]", help="Where to put the sample files and the report.")
    ] = Path("speedlog-demo"),
) -> None:
    """The main job on an invented meeting that comes with the program: ten passes, report, logbook, season.

    Example: speedlog demo
    """
    from datetime import UTC, datetime

    from speedlog.report.page import session_page
    from speedlog.session import load_session
    from speedlog.session.car import with_car

    copy_samples(folder)
    session = load_session(folder / "session.toml")
    found = with_car(_kept(session, folder / LOGBOOK, _progress(len(session.passes))))
    _end_progress()
    made = datetime.now(UTC)
    write_text(folder / "report.html", session_page(found, made=made), inputs=session.inputs)
    write_text(folder / "season.html", _season(folder, made), inputs=session.inputs)
    for item in found.reviews:
        if item.review is not None:
            write_json(
                folder / f"pass{item.entry.number:02d}.json", item.review.as_json(), inputs=session.inputs
            )
    print(in_words(found))
    print(what_to_open(folder))


def _kept(session: Session, path: Path, begin: Callable[[SessionPass], None] | None) -> SessionReview:
    """The day, kept in a logbook of the demo's own."""
    from speedlog.logbook.add import add_session
    from speedlog.logbook.store import Logbook
    from speedlog.session import ReviewedPass, SessionReview, review_session

    reviews: dict[int, Review] = {}

    def tell(place: int, _: int) -> None:
        if begin is not None:
            begin(session.passes[place - 1])

    with Logbook.open(path, create=True) as book:
        added = add_session(book, session, begin=tell, seen=reviews.__setitem__)
    ids = [item.row.id for item in added.passes]
    if not all(item in reviews for item in ids):  # an earlier demo has kept them
        return review_session(session, begin=begin)
    made = (reviews[item] for item in ids)
    pairs = zip(session.passes, made, strict=True)
    return SessionReview(session, tuple(ReviewedPass(entry, it, it.passes) for entry, it in pairs))


def _season(folder: Path, made: datetime) -> str:
    """The season's page, with links to the reports beside it."""
    from speedlog.logbook.history import read_history
    from speedlog.logbook.store import Logbook
    from speedlog.report.season_page import season_page

    with Logbook.open(folder / LOGBOOK, read_only=True) as book:
        return season_page(read_history(book), made=made, beside=folder)


def copy_samples(folder: Path) -> None:
    """Copy the sample files into a folder, which must be new, empty, or an earlier demo's.

    Raises:
        SpeedlogError: the folder holds something else, or can't be written.
    """
    from speedlog.demo import sample_folder

    source = sample_folder()
    if folder.exists():
        if not folder.is_dir():
            raise SpeedlogError("is a file, not a folder", file=folder, todo="Name another folder.")
        if folder.resolve() == source.resolve():
            raise SpeedlogError("is where the samples come from", file=folder, todo="Name another folder.")
        if any(folder.iterdir()) and not (folder / _MARK).is_file():
            raise SpeedlogError("holds other files already", file=folder, todo="Name a new folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path in sorted(source.iterdir()):
            if path.is_file():
                (folder / path.name).write_bytes(path.read_bytes())
    except OSError as error:
        raise SpeedlogError(
            f"can't be written ({error.strerror})", file=folder, todo="Name another folder."
        ) from None


def in_words(found: SessionReview) -> str:
    """A short table: pass, trap figure, estimate, verdict."""
    rows = [("pass", "trap figure", "estimate from the logs", "verdict")]
    unit = _day_unit(found)
    for item in found.reviews:
        if not item.drives:
            rows.append((str(item.entry.number), item.entry.trap or "-", "-", item.error or "nothing found"))
        rows += [_row(item, drive, unit) for drive in item.drives]
    widths = [max(len(row[k]) for row in rows) for k in range(3)]
    lines = [
        "  ".join(
            [*(cell.ljust(width) for cell, width in zip(row[:3], widths, strict=True)), plain(row[3], 200)]
        )
        for row in rows
    ]
    name, car = plain(found.session.name), plain(found.session.car)
    title = f"{name} (invented), {len(found.session.passes)} passes by {car}:"
    return "\n".join([title, "", *lines, ""])


def _day_unit(found: SessionReview) -> Unit:
    """The unit in which the trap figures were given; where they were times, km/h."""
    from speedlog.session import parse_trap
    from speedlog.units import find_unit

    given = [parse_trap(item.entry.trap).unit for item in found.reviews if item.entry.trap]
    fallback = find_unit("km/h", "speed")
    assert fallback is not None
    return next((unit for unit in given if unit.kind == "speed"), fallback)


def _row(item: ReviewedPass, drive: Pass, unit: Unit) -> tuple[str, str, str, str]:
    from speedlog.report.wording import verdict_words

    trap = drive.trap
    estimate = "-"
    if trap is not None and trap.estimate_mps is not None and trap.interval95_mps is not None:
        half = (trap.interval95_mps[1] - trap.interval95_mps[0]) / 2
        estimate = f"{unit.from_si(trap.estimate_mps):.1f} ± {unit.from_si(half):.1f} {unit.symbol}"
    return str(item.entry.number), item.entry.trap or "-", estimate, verdict_words(drive)


def what_to_open(folder: Path) -> str:
    """The paths to open next."""
    report = (folder / "report.html").resolve()
    return "\n".join(
        [
            "Open the report in a browser (it needs no internet):",
            f"  {report}",
            f"  {report.as_uri()}",
            f"The season so far, from the logbook {folder / LOGBOOK}:",
            f"  {(folder / 'season.html').resolve()}",
            f"Then look at {folder / 'session.toml'}: the day in plain text, as you would write your own.",
            f"What went wrong on purpose stands in {folder / 'README.md'}.",
        ]
    )


def _progress(total: int) -> _Progress | None:
    return _Progress(total) if sys.stderr.isatty() else None


class _Progress:
    """ "pass 3 of 10" on a terminal; nothing when piped."""

    def __init__(self, total: int) -> None:
        self.total, self.done = total, 0

    def __call__(self, item: SessionPass) -> None:
        self.done += 1
        print(f"\rreviewing pass {self.done} of {self.total} ", end="", file=sys.stderr, flush=True)


def _end_progress() -> None:
    if sys.stderr.isatty():
        print("\r" + " " * 40 + "\r", end="", file=sys.stderr, flush=True)
