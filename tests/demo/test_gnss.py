"""What the simulated GNSS logger logs, against the truth it watched."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.demo.car import Air, Car
from speedlog.demo.gnss import GnssLog, GnssLogger, Place, epochs_ns, log_gnss
from speedlog.demo.truth import Driver, Truth, drive_pass

LAUNCH = 1_714_564_800_123_456_789
STILL = GnssLogger(speed_white_mps=0.0, speed_drift_mps=0.0, place_white_m=0.0, place_drift_m=0.0)
PLACE = Place(53.1, -1.2, 75.0)


@pytest.fixture(scope="module")
def truth() -> Truth:
    return drive_pass(Car(), Driver(lift_m=600.0), Air(), (550.0, 580.0))


def _log(truth: Truth, logger: GnssLogger, place: Place = PLACE, seed: int = 3) -> GnssLog:
    return log_gnss(np.random.default_rng(seed), truth, place, logger, LAUNCH)


def test_epochs_are_whole_intervals_of_utc(truth: Truth) -> None:
    assert epochs_ns(5, 90_000_000, 25.0).tolist() == [40_000_000, 80_000_000]
    log = _log(truth, STILL)
    assert np.all(log.time_ns % 40_000_000 == 0)
    assert np.all(np.diff(log.time_ns) == 40_000_000)


def test_without_noise_it_logs_the_truth(truth: Truth) -> None:
    log = _log(truth, STILL)
    _, speed, _ = truth.motion_at(log.true_s)
    assert log.speed_mps == pytest.approx(speed, abs=1e-9)
    moving = speed > 1
    assert log.track_deg[moving] == pytest.approx(75.0, abs=1e-9)


def test_places_on_the_line_are_geodesic() -> None:
    # references.md topic 4, GeographicLib: bearing 75 from 53.1, -1.2 at 520 m and 2000 m; 1e-10 deg
    lat, lon = PLACE.position(np.array([520.0, 2000.0]), np.zeros(2))
    assert lat == pytest.approx([53.10120910988, 53.10464783541], abs=1e-10)
    assert lon == pytest.approx([-1.19250103776, -1.17115553658], abs=1e-10)


def test_places_beside_the_line() -> None:
    """Across is metres to the right of the outbound heading: south of a line that runs east."""
    geodesic = pytest.importorskip("geographiclib.geodesic").Geodesic.WGS84
    east = Place(53.1, -1.2, 90.0)
    lat, lon = east.position(np.array([300.0]), np.array([5.0]))
    on_lat, on_lon = east.position(np.array([300.0]), np.array([0.0]))
    assert lat[0] < on_lat[0]
    apart = geodesic.Inverse(on_lat[0], on_lon[0], lat[0], lon[0])
    assert apart["s12"] == pytest.approx(5.0, abs=1e-6)


def test_return_pass_runs_down_the_line(truth: Truth) -> None:
    back = replace(PLACE, launch_m=1200.0, outbound=False)
    log = _log(truth, STILL, back)
    first = back.position(np.array([1200.0]), np.zeros(1))
    assert log.lat_deg[0] == pytest.approx(first[0][0], abs=1e-9)
    assert log.track_deg[len(log.track_deg) // 2] == pytest.approx(255.0, abs=1e-6)
    assert back.travel(650.0) == pytest.approx(550.0)


def test_speed_noise_is_as_wide_as_stated(truth: Truth) -> None:
    # third differences of white noise have 20 times its variance; 25 logs, five standard errors
    logger = replace(STILL, speed_white_mps=0.08)
    errors = []
    for seed in range(25):
        log = _log(truth, logger, seed=seed)
        _, speed, _ = truth.motion_at(log.true_s)
        errors.append((log.speed_mps - speed)[speed > 10])
    error = np.concatenate(errors)
    assert error.std() == pytest.approx(0.08, abs=5 * 0.08 / np.sqrt(2 * len(error)))
    assert error.mean() == pytest.approx(0.0, abs=5 * 0.08 / np.sqrt(len(error)))


def test_place_noise_is_as_wide_as_stated(truth: Truth) -> None:
    logger = replace(STILL, place_drift_m=1.0, place_white_m=0.05)
    offsets = []
    for seed in range(300):
        log = _log(truth, logger, seed=seed)
        exact = PLACE.position(PLACE.along(truth.motion_at(log.true_s[:1])[0]), np.zeros(1))
        offsets.append((log.lat_deg[0] - exact[0][0]) * 111_288.16)  # topic 4: metres a degree, north
    # 1 m of drift and 5 cm white together; standard error sd / sqrt(2 n)
    assert np.std(offsets) == pytest.approx(np.hypot(1.0, 0.05), abs=5 * 1.0 / np.sqrt(600))


def test_pure_delay(truth: Truth) -> None:
    late = _log(truth, replace(STILL, delay_s=0.2))
    x, v, _ = truth.motion_at(late.true_s - 0.2)
    assert late.speed_mps == pytest.approx(v, abs=1e-9)
    lat, _ = PLACE.position(PLACE.along(x), np.zeros(len(x)))
    assert late.lat_deg == pytest.approx(lat, abs=1e-11)
    speed_only = _log(truth, replace(STILL, speed_delay_s=0.2))
    assert speed_only.speed_mps == pytest.approx(v, abs=1e-9)
    assert not np.allclose(speed_only.lat_deg, late.lat_deg, rtol=0, atol=1e-7)


def test_first_order_filter_reads_a_ramp_low() -> None:
    """A steady ramp reads a * tau low (references.md topic 5): 8 m/s² and 0.1 s give 0.8 m/s."""
    from speedlog.demo.car import Tow

    car = Car(rotating_kg=0.0, rolling=0.0, friction=9.0, drive=Tow(64.0))
    steady = drive_pass(car, Driver(1e-6, lift_m=500.0), Air(0.0), (400.0, 430.0))
    log = _log(steady, replace(STILL, speed_filter_s=0.1))
    _, speed, _ = steady.motion_at(log.true_s)
    ramp = (log.true_s > 2.0) & (log.true_s < steady.lift_s - 0.1)
    assert (speed - log.speed_mps)[ramp] == pytest.approx(0.8, abs=1e-5)


def test_same_seed_same_log(truth: Truth) -> None:
    one, two = _log(truth, GnssLogger(), seed=5), _log(truth, GnssLogger(), seed=5)
    assert np.array_equal(one.speed_mps, two.speed_mps) and np.array_equal(one.lat_deg, two.lat_deg)
    assert not np.array_equal(one.speed_mps, _log(truth, GnssLogger(), seed=6).speed_mps)
