"""`speedlog inspect`: what a file can be used for in a review, and what that would need."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from speedlog.samples import Clock

if TYPE_CHECKING:
    from speedlog.samples import Recording

_CONTROLLER = ("current_a", "voltage_v", "motor_temp_c", "controller_temp_c", "throttle")
_WORDS = {
    "current_a": "current", "voltage_v": "voltage", "motor_temp_c": "motor temperature",
    "controller_temp_c": "controller temperature", "throttle": "throttle",
}  # fmt: skip


def uses(recording: Recording, passes: list[dict[str, Any]]) -> list[str]:
    """Sentences, the most important first.

    Args:
        passes: those found in it, as `inspect --json` lists them.
    """
    filled = set(recording.filled_columns)
    found = (
        _gnss(recording, filled, passes) if recording.has_positions else _without_positions(recording, filled)
    )
    if recording.has_positions and "rpm" in filled:
        found += _turns(recording)
    return found


def _gnss(recording: Recording, filled: set[str], passes: list[dict[str, Any]]) -> list[str]:
    if not passes:
        first = "no pass was found in it: a review needs a drive of a car at speed, with positions on the way"
    elif "speed_mps" in filled:
        first = "a GNSS log with positions and speeds: it can be reviewed by itself"
    else:
        first = (
            "positions without a logged speed: it can be reviewed, but the speed is worked out from the "
            "positions, which is coarser than a receiver's own"
        )
    found = [first]
    if passes:
        found.append("against a trap figure it needs the course (--course, see: speedlog course --help)")
    if recording.clock is Clock.ELAPSED:
        found.append(
            "it counts seconds of its own: beside another log its clock is found from the drive itself"
        )
    return found


def _without_positions(recording: Recording, filled: set[str]) -> list[str]:
    if recording.samples["lat_deg"].notna().any():
        return ["no position in it is vouched for (no fix, or dead reckoned): it can't be reviewed by itself"]
    held = [_WORDS[name] for name in _CONTROLLER if name in filled]
    what = f" ({', '.join(held)})" if held else ""
    if "rpm" in filled:
        beside = f"it has no positions: usable as a controller's log{what} beside a GNSS log of the same pass"
        return [beside, *_turns(recording)]
    if "speed_mps" in filled:
        return [
            "it has speeds but no positions, so nothing tells where the car was: a review needs a GNSS log with "
            "positions, and takes nothing from this one"
        ]
    return [
        f"it has neither positions nor rpm{what}: a review can't line it up with a GNSS log, nor use it for the speed"
    ]


def _turns(recording: Recording) -> list[str]:
    needs = ["--wheel-diameter and --gear-ratio turn its rpm into a speed"]
    if recording.electrical_rpm:
        needs.append("its rpm counts electrical turns: add --pole-pairs")
    return needs
