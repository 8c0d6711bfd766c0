"""What the limits of the run-up are called: the ramp first, the driver's hand later, none where the fit is off."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from speedlog.settings.forecast import ForecastSettings
from speedlog.vehicle.left import left_in, stretches_of
from speedlog.vehicle.simulate import LIMITS

SETTINGS = ForecastSettings()


def run_of(throttle: list[float], limits: list[str]):
    """A run-up of one row a second, ten metres apart, as far as `stretches_of` looks at it."""
    count = len(throttle)
    return SimpleNamespace(
        which=np.array([LIMITS.index(name) for name in limits]), throttle=np.array(throttle),
        time_s=np.arange(count, dtype=float), travel_m=10.0 * np.arange(count),
        observed=SimpleNamespace(launch_along_m=0.0, heading_sign=1),
    )  # fmt: skip


def told(throttle: list[float], limits: list[str]) -> list[tuple[str, float, float]]:
    return [
        (item.limit, item.start_s, item.end_s) for item in stretches_of(run_of(throttle, limits), SETTINGS)
    ]


def test_short_of_full_is_the_ramp_at_first_and_the_hand_later() -> None:
    opened = [0.2, 0.6, 1.0, 1.0, 1.0, 1.0, 0.7, 0.7, 1.0, 1.0]
    limits = [
        "current limit",
        "motor limit",
        *["traction"] * 2,
        *["current limit"] * 3,
        "motor limit",
        *["voltage"] * 2,
    ]
    assert told(opened, limits) == [
        ("ramp", 0.0, 2.0), ("traction", 2.0, 4.0), ("current limit", 4.0, 6.0), ("throttle", 6.0, 8.0),
        ("voltage", 8.0, 9.0),
    ]  # fmt: skip


@pytest.mark.parametrize(("most", "limit"), [(0.98, "current limit"), (0.97, "throttle")])
def test_a_throttle_never_fully_opened(most: float, limit: str) -> None:
    """Both sides of `full_throttle`, 0.98."""
    found = told([0.3, 0.5, most, most, most], ["current limit"] * 5)
    assert [name for name, _, _ in found] == ["ramp", limit]


def test_a_fit_that_is_off_its_logs_tells_no_limits() -> None:
    from speedlog.vehicle.car import Car
    from speedlog.vehicle.fit import fit
    from speedlog.vehicle.observed import observe
    from tests.benchmarks.forecast_days import drawn_day

    item = drawn_day(5).passes[0]
    seen = observe(item.found, item.facts, SETTINGS)
    assert seen is not None
    fitted = fit(Car(), [seen], SETTINGS)
    assert left_in(fitted, 0, SETTINGS).stretches
    off = left_in(replace(fitted, misfit=SETTINGS.most_misfit + 0.1), 0, SETTINGS)
    assert (
        off.stretches == () and "off its logs" in off.why_not["stretches"] and "rough" in off.why_not["fit"]
    )
    assert off.with_more_run_up_mps
