"""Every sentence of the pit page that the reports don't say already. Speeds stand in them as tokens."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from speedlog.errors import SpeedlogError, plain
from speedlog.logbook.add import Added, AddedPass
from speedlog.logbook.figures import Figure, Gain, doubtful, official, peak
from speedlog.logbook.history import History
from speedlog.logbook.ladders import Ladder, Step
from speedlog.logbook.rows import PassRow
from speedlog.report import compare_words
from speedlog.report.numbers import mps
from speedlog.report.wording import FAULTS, MEASURED, SETUP, counted
from speedlog.settings import ReportSettings

NO_PASS = "No pass yet."
ASK = "What did they read out?"
NO_COURSE = "Where is the trap? Until that is known, only the fastest moment can be told."
SAFETY = (
    "These cars can kill, and lithium packs burn. The event's rules and the stewards' word come before this "
    "page, and so do the makers' limits. It tells of passes made; it clears none to come."
)
_EXPECTED = ("course as kept", "session:", "car as last time")  # what is on the page anyway
WEATHER = {**compare_words.WEATHER, "temperature": "Temperature"}
FASTER = {"trap": "Trap PB", "gnss": "GNSS PB"}


@dataclass(frozen=True)
class Told:
    """What came of something the user did: one line that says it, and what else there is to know."""

    head: str
    more: tuple[str, ...] = ()
    bad: bool = False


def error_words(error: SpeedlogError) -> str:
    """The one line of a mistake, without paths of this computer or advice that is meant for a terminal."""
    # what was typed is told of as if it came from an option of the command line
    where = [] if error.file is None or error.file.startswith("--") else [Path(error.file).name]
    where += [f"line {error.line}"] if error.line else []
    head = f"{', '.join(where)}: " if where else ""
    todo = error.todo or ""
    if "--" in todo or "speedlog " in todo:
        todo = ""
    problem = error.problem
    for key, name in {**SETUP, **MEASURED, **WEATHER}.items():
        problem = problem.replace(f"{key}: ", f"{name}: ")
    problem = problem if head else problem[:1].upper() + problem[1:]
    return f"{head}{problem}. {todo}".strip()


def added_words(done: Added) -> Told:
    """What became of an upload."""
    heads = [_added(item) for item in done.passes]
    more = [text for item in done.passes for text in item.unread]
    more += [f"not taken: {text}" for item in done.passes for text in item.contradictions]
    more += [text for text in done.notes if not text.startswith(_EXPECTED)]
    refused = any(item.contradictions or item.unread for item in done.passes)
    return Told(" ".join(heads), tuple(plain(text, 300) for text in more), refused)


def _added(item: AddedPass) -> str:
    name = f"pass {item.row.number}"
    if item.new:
        return f"Kept as {name}."
    if item.filled:
        return f"Joined to {name}: {plain('; '.join(item.filled), 200)}."
    return f"The same as is kept already, as {name}. Nothing was kept twice."


def pulling(rate_mps2: float | None, settings: ReportSettings) -> str | None:
    """Was there more in it? By the acceleration at the trap's exit."""
    if rate_mps2 is None:
        return None
    if abs(rate_mps2) < settings.level_mps2:
        return "Speed levelled off at the trap's exit."
    if rate_mps2 > 0:
        return f"Still pulling: gained {mps(rate_mps2)} each second at the trap's exit."
    return f"Already slowing: lost {mps(-rate_mps2)} each second at the trap's exit."


def best(found: History, row: PassRow) -> str | None:
    """PB, or how far off; by the trap figure where there is one, else by the fastest moment."""
    ladder, figure = (found.trap, official(row)) if row.trap_text else (found.gnss, peak(row))
    if figure is None:
        return None
    name = FASTER[ladder.name]
    step = next((item for item in ladder.steps if item.row.id == row.id), None)
    if step is not None:
        return _new_best(name, step, ladder)
    if any(item.row.id == row.id for item in ladder.doubted) or (ladder.name == "trap" and doubtful(row)):
        return f"No {name}: the figure is in doubt."
    if ladder.best is None:
        return None
    below = ladder.best.figure.mps - figure.mps
    if abs(below) < 5e-4:
        return f"The {name} once more (pass {ladder.best.row.number}, {ladder.best.row.date or 'undated'})."
    if below < 0:
        return None
    return f"{mps(below)} below the {name}: {mps(ladder.best.figure.mps)}, {_where(ladder.best.row, row)}."


def _new_best(name: str, step: Step, ladder: Ladder) -> str:
    if step.gain is None:
        return f"The first {name}." if ladder.best is step else f"It was the first {name}."
    verb = name if ladder.best is step else f"It was the {name} then"
    return f"{verb}, {_gain(step.gain)} above the one before."


def _gain(gain: Gain) -> str:
    return mps(gain.mps) + ("" if gain.beyond is not False else " (within the noise)")


def _where(other: PassRow, row: PassRow) -> str:
    if other.session_id == row.session_id:
        return f"pass {other.number}"
    return f"pass {other.number} of {other.date or other.session}"


def reach(figure: Figure | None) -> str:
    """ "± 0.4 mph"."""
    if figure is None or figure.half_mps is None:
        return ""
    return f"±\u00a0{mps(figure.half_mps)}"


def faults(found: Sequence[Mapping[str, Any]]) -> str:
    """Faults of one logger near the trap: "no fix, stray reading at the trap"."""
    near = list(dict.fromkeys(FAULTS.get(item["kind"], item["kind"]) for item in found if item["near_trap"]))
    if near:
        return f"{', '.join(near)} at the trap"
    return f"{counted(len(found), 'fault')}, none at the trap" if found else "no fault"


def setup_line(setup: Mapping[str, object]) -> str:
    """The car in one line."""
    return ", ".join(f"{SETUP.get(key, key).lower()} {plain(value, 60)}" for key, value in setup.items())


def change(key: str, before: object | None, after: object | None) -> str:
    name = SETUP.get(key, key.replace("_", " ")).lower()
    if before is None:
        return f"{name} {plain(after, 80)}"
    if after is None:
        return f"{name} {plain(before, 80)} no longer stated"
    return f"{name} {plain(before, 80)} → {plain(after, 80)}"


FIELDS = {
    "trap_text": "trap figure",
    "note": "note",
    "setup": "set-up",
    "weather": "weather",
    "set_aside_at": "set aside",
    "number": "number",
    **{key: name[:1].lower() + name[1:] for key, name in MEASURED.items()},
}
DAY_FIELDS = {"name": "the day's name", "date": "date", "car": "car"}
