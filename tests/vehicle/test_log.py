"""The controller's rows beside the motion: launch, lift, coasting, noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle.log import car_log, coasting, correlation_factor, reading_noise
from tests.vehicle.simulated import DRIVER, simulated, without

S = VehicleSettings()


@pytest.mark.parametrize("coast_s", [0.3, 0.5, 1.0, 2.5])
def test_a_coast_ends_where_the_brake_begins(coast_s: float) -> None:
    item = simulated(1, driver=replace(DRIVER, coast_s=coast_s))
    log = car_log(item.pass_, S)
    assert log is not None
    origin = float(item.truth.time_s[0])
    assert log.lift_s + origin == pytest.approx(item.truth.lift_s, abs=0.06)  # a row of 20 Hz
    rows = log.time_s[coasting(log, S)] + origin
    # the simulator's brake comes on over 0.3 s to a deceleration that has drag in it: drag alone holds till it is more
    assert rows[0] > item.truth.lift_s and rows[-1] < item.truth.brake_s + 0.3
    assert rows[-1] > item.truth.brake_s - 0.1


def test_a_car_that_only_coasts_does_so_to_its_stand() -> None:
    item = simulated(1, driver=replace(DRIVER, brake_mps2=None))
    log = car_log(item.pass_, S)
    assert log is not None
    rows = log.time_s[coasting(log, S)] + float(item.truth.time_s[0])
    assert rows[-1] - rows[0] > 0.9 * (item.truth.stop_s - item.truth.lift_s)


def test_without_throttle_and_current_nothing_is_called_coasting() -> None:
    log = car_log(without(simulated(1), "throttle", "current_a"), S)
    assert log is not None and not coasting(log, S).any()


def test_a_pass_without_a_controller_has_no_log() -> None:
    pass_ = without(
        simulated(1), "rpm", "current_a", "voltage_v", "motor_temp_c", "controller_temp_c", "throttle"
    )
    assert car_log(pass_, S) is None
    assert car_log(replace(pass_, trace=None), S) is None


def test_noise_of_a_curve_is_that_put_in() -> None:
    rng = np.random.default_rng(2)
    time = np.linspace(0, 10, 2000)
    values = 50 * np.sin(time) + 3 * time**2 + 0.3 * rng.standard_normal(2000)
    assert reading_noise(values) == pytest.approx(0.3, rel=0.1)  # 2000 rows: 2 %, by the median 5 %
    assert reading_noise(np.array([1.0, np.nan])) == 0.0


def test_correlation_of_an_autoregression() -> None:
    # AR(1) with phi 0.8: (1 + phi) / (1 - phi) = 9
    rng = np.random.default_rng(3)
    x = np.zeros(20_000)
    for k in range(1, len(x)):
        x[k] = 0.8 * x[k - 1] + rng.standard_normal()
    assert correlation_factor(x) == pytest.approx(9.0, rel=0.25)
    assert correlation_factor(rng.standard_normal(20_000)) == pytest.approx(1.0, abs=0.2)
