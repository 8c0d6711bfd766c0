"""`speedlog demo` from end to end: what it writes, what it says, and what it refuses."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from speedlog.cli.demo import copy_samples, demo
from speedlog.demo import sample_folder
from speedlog.errors import SpeedlogError

Shown = tuple[Path, str]


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Shown:
    """The demo run once: its folder, and what it printed."""
    import contextlib
    import io

    folder = tmp_path_factory.mktemp("demo") / "day"
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        demo(folder)
    return folder, said.getvalue()


def _passes(folder: Path) -> list[dict[str, object]]:
    found = []
    for number in range(1, 11):
        content = json.loads((folder / f"pass{number:02d}.json").read_text(encoding="utf-8"))
        assert len(content["passes"]) == 1, number
        found.append(content["passes"][0])
    return found


def _truth() -> list[dict[str, float]]:
    text = (sample_folder() / "truth.json").read_text(encoding="utf-8")
    return json.loads(text)["passes"]  # type: ignore[no-any-return]


def test_it_writes_a_report_and_a_json_a_pass(shown: Shown) -> None:
    folder, _ = shown
    assert (folder / "report.html").read_text(encoding="utf-8").lstrip().lower().startswith("<!doctype html>")
    assert len(_passes(folder)) == 10
    assert not list(folder.glob("*.part")), "nothing half-written"


def test_it_says_every_pass_and_what_to_open(shown: Shown) -> None:
    folder, said = shown
    for item in _truth():
        assert str(item["trap_as_written"]) in said
    assert str((folder / "report.html").resolve()) in said
    assert (folder / "report.html").resolve().as_uri() in said


@pytest.mark.parametrize(
    ("number", "codes"),
    [
        # by the rules of the command contract (design, section 5) from what was put into each log:
        # sound logs agree; a log without the trap missed it; a flat top is a ceiling; a figure that
        # two logs contradict is in doubt; a lone smoothed or jumping log is off the figure
        (1, ["agree"]),
        (2, ["logger_missed_trap"]),
        (3, ["logger_ceiling"]),
        (5, ["trap_figure_doubtful"]),
        (6, ["logger_low", "logger_high"]),
        (7, ["logger_missed_trap", "not_enough_data"]),
        (8, ["agree"]),
        (9, ["agree"]),
        (10, ["logger_missed_trap"]),
    ],
)
def test_verdicts(shown: Shown, number: int, codes: Sequence[str]) -> None:
    verdict = _passes(shown[0])[number - 1]["verdict"]
    assert verdict["code"] in codes  # type: ignore[index]


def test_estimates_hold_the_truth(shown: Shown) -> None:
    """Each within a generous 2 of its intervals' half-widths; nearly all inside (95 in 100 by design)."""
    inside = 0
    for item, true in zip(_passes(shown[0]), _truth(), strict=True):
        trap: dict[str, object] = item["trap"]  # type: ignore[assignment]
        low, high = trap["interval95_mps"]  # type: ignore[misc]
        off = abs(true["trap_mps"] - (low + high) / 2) / ((high - low) / 2)
        assert off < 2, item["number"]
        inside += off <= 1
    assert inside >= 8


@pytest.mark.parametrize(
    ("number", "kind"),
    [(2, "gap"), (3, "ceiling"), (6, "outlier"), (7, "no_fix"), (8, "poor_fix"), (10, "frozen")],
)
def test_faults_put_in_are_found(shown: Shown, number: int, kind: str) -> None:
    loggers = _passes(shown[0])[number - 1]["loggers"]
    found = {fault["kind"] for logger in loggers for fault in logger["faults"]}  # type: ignore[attr-defined]
    # a GPX file leaves epochs without a fix out: there a lost fix is a gap
    assert kind in found or (number == 7 and "gap" in found)


@pytest.mark.parametrize("number", [1, 5, 9])
def test_sound_logs_show_no_fault_near_the_trap(shown: Shown, number: int) -> None:
    loggers = _passes(shown[0])[number - 1]["loggers"]
    near = [fault for logger in loggers for fault in logger["faults"] if fault["near_trap"]]  # type: ignore[attr-defined]
    assert near == []


def test_again_into_the_same_folder(shown: Shown) -> None:
    folder, _ = shown
    (folder / "p01_front.nmea").write_bytes(b"spoilt")
    copy_samples(folder)
    assert (folder / "p01_front.nmea").stat().st_size > 10_000


def test_a_folder_with_other_things_is_refused(tmp_path: Path) -> None:
    (tmp_path / "holiday.jpg").write_bytes(b"x")
    with pytest.raises(SpeedlogError) as caught:
        copy_samples(tmp_path)
    assert str(caught.value) == f"{tmp_path}: holds other files already. Name a new folder."
    assert [path.name for path in tmp_path.iterdir()] == ["holiday.jpg"]


def test_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"")
    with pytest.raises(SpeedlogError, match="is a file, not a folder"):
        copy_samples(tmp_path / "x")


def test_the_samples_own_folder_is_refused() -> None:
    with pytest.raises(SpeedlogError, match="where the samples come from"):
        copy_samples(sample_folder())
