"""Wheel logs against all passes of the day: nominal speed, coarse offset, signs of a wrong setting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from speedlog.fusion.drive import Drive, WheelLog
from speedlog.fusion.wheel import coarse_offset
from speedlog.physics.wheel import wheel_speed
from speedlog.samples import Recording, seconds
from speedlog.settings import FusionSettings

Array = NDArray[np.float64]
_ANY_DIAMETER_M = 0.1  # where none is given: the fit finds the scale, whatever it starts from


@dataclass(frozen=True)
class WheelSetup:
    """What the user says of the wheel; None where nothing was said."""

    diameter_m: float | None
    gear_ratio: float | None
    pole_pairs: int | None


def prepare_wheel(
    place: int, recording: Recording, setup: WheelSetup, drives: Sequence[Drive], settings: FusionSettings
) -> tuple[WheelLog | None, tuple[str, ...]]:
    """The log on the day's clock, or None with the reason; further warnings with it."""
    warnings = []
    turns = recording.samples["rpm"].to_numpy(dtype=float)
    if setup.pole_pairs:
        turns = turns / setup.pole_pairs
    elif recording.electrical_rpm:
        warnings.append(
            "its rpm are electrical: give --pole-pairs; until then only the shape of its speed is used"
        )
    diameter, ratio = setup.diameter_m or _ANY_DIAMETER_M, setup.gear_ratio or 1.0
    tread = wheel_speed(turns, diameter, ratio)
    moving = [drive for drive in drives if drive.settled is not None]
    if not moving:
        return None, (*warnings, "there is no pass to lay it beside; not used")
    time, speed = _day(moving)
    own = seconds(recording.samples.index)
    found = coarse_offset(own, tread, time, speed, settings)
    if found is None:
        return None, (*warnings, "its speed looks like no pass of these logs; not used")
    if found.correlation - found.runner_up < settings.wheel_rival_margin:
        warnings.append("it fits two stretches almost equally well; the better one was taken")
    own_start = recording.samples.index[0]
    offset = (moving[0].origin - own_start) / pd.Timedelta(1, "s") + found.offset_s
    return WheelLog(place, recording, tread, float(offset)), tuple(warnings)


def scale_warning(setup: WheelSetup, scale: float, settings: FusionSettings) -> str | None:
    """What a scale far from 1 says of diameter, gear or pole pairs; None where it is plausible."""
    if setup.diameter_m is None:
        return None
    ratio = 1.0 / scale
    if settings.electrical_low <= ratio <= settings.electrical_high:
        likely = round(ratio)
        return (
            f"wheel speed comes out {ratio:.2f} times too fast: looks like electrical rpm; "
            f"try --pole-pairs {likely} (or check gear ratio and wheel diameter)"
        )
    if not 0.8 <= scale <= 1.25:
        return f"wheel speed must be multiplied by {scale:.3f} to fit: check gear ratio and wheel diameter"
    return None


def _day(drives: Sequence[Drive]) -> tuple[Array, Array]:
    """All passes' speeds on one clock, from the first pass's origin."""
    first = drives[0].origin
    times, speeds = [], []
    for drive in drives:
        assert drive.settled is not None
        shift = (drive.origin - first) / pd.Timedelta(1, "s")
        times.append(drive.settled.knots_s + shift)
        speeds.append(drive.settled.speed_mps)
    return np.concatenate(times), np.concatenate(speeds)
