"""Whether a log's VTG sentences belong to the position before them or after them.

VTG has no time. Most receivers send it after their position, some before it; then each speed would be
one epoch ahead of its position. Positions of an accelerating car tell: a speed can lag behind them, but
never run ahead.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speedlog.importers.delimited_speed import step_lengths_m
from speedlog.settings import ReadSettings

Numbers = NDArray[np.float64]


def vtg_leads(
    time_ns: NDArray[np.int64], lat_deg: Numbers, lon_deg: Numbers, speed_mps: Numbers, settings: ReadSettings
) -> bool | None:
    """Whether speeds put on the position before them fit the position after them better.

    Args:
        time_ns, lat_deg, lon_deg: (N,) in file order.
        speed_mps: (N,) each VTG speed at the position before it.

    Returns:
        True, False, or None where the log doesn't tell (too little of it accelerates).
    """
    if len(time_ns) < 4:
        return None
    span_s = (time_ns[2:] - time_ns[:-2]) / 1e9
    steps = step_lengths_m(lat_deg, lon_deg)
    here, before = speed_mps[1:-1], speed_mps[:-2]
    with np.errstate(divide="ignore", invalid="ignore"):
        shown = (
            steps[1:] + steps[:-1]
        ) / span_s  # central: right at the middle epoch while accelerating evenly
        even = (span_s > 0) & (span_s < 3 * np.median(span_s))
        used = even & (shown > settings.unit_least_mps) & np.isfinite(here + before)
    if used.sum() < settings.vtg_least_epochs:
        return None
    after = float(np.sum((here - shown)[used] ** 2))
    ahead = float(np.sum((before - shown)[used] ** 2))
    if ahead < settings.vtg_misfit_ratio * after:
        return True
    return False if after < settings.vtg_misfit_ratio * ahead else None
