"""Random families: in their ranges, labelled as named, the same for the same seed."""

from __future__ import annotations

from hashlib import sha256

import numpy as np
import pytest

from speedlog.demo.draws import seeded
from speedlog.demo.families import FAMILIES, MAIN_FAMILIES, family
from speedlog.demo.scenario import Trap, figure_text, official_speed, trap_travel

EXPECTED: dict[str, set[str]] = {
    "clean_25hz": set(),
    "clean_10hz": set(),
    "clean_1hz": set(),
    "lift_before": set(),
    "return": set(),
    "gap": {"gap"},
    "gap_wheel": {"gap"},
    "lift_in_gap": {"gap"},
    "two_loggers_gap": {"gap"},
    "ceiling": {"ceiling"},
    "frozen": {"frozen"},
    "outliers": {"outlier"},
    "two_loggers": set(),
    "one_wrong": {"outlier"},
    "one_wrong_places_too": {"outlier"},
    "one_high": set(),
}

# What each family drew for (20261, name, 0) on the day it was made: the generator's state after it
# (sha256), true trap speed, trap figure, mean logged speed [m/s]. Later families must not move them.
DRAWN: dict[str, tuple[str, float, float, float]] = {
    "clean_25hz": ("90c290ecc1d4", 90.831720, 90.860502, 38.639263),
    "clean_10hz": ("5fa7be861b2c", 82.521840, 82.379863, 34.610857),
    "clean_1hz": ("b553e4383e33", 89.938262, 90.128755, 33.587557),
    "gap": ("e1d6c1d82a21", 70.472011, 70.473437, 26.512193),
    "gap_wheel": ("e914b586f11f", 66.733463, 66.762041, 26.576315),
    "ceiling": ("691e703fbfc7", 47.929850, 48.000000, 18.008779),
    "frozen": ("0889bfa188cc", 72.586413, 72.607261, 32.032521),
    "outliers": ("3f80a6899baa", 63.897513, 63.861758, 26.160972),
    "mixed": ("b65cfe7bacd9", 89.445642, 89.219331, 34.490037),
    "two_loggers_gap": ("60791cefce6f", 76.127088, 76.045627, 29.248959),
    "lift_before": ("732e24901490", 67.114665, 67.073171, 30.348709),
    "lag": ("6cd7fb139903", 65.495340, 65.491184, 29.215195),
    "two_lags": ("604bf0533924", 94.135301, 94.212651, 37.602816),
    "two_loggers_one_lagging": ("77407b5dbb78", 86.555822, 86.651054, 35.736894),
    "lag_wheel": ("c792724fd9fe", 58.140898, 58.139535, 22.104839),
    "trap_place": ("3484760689e1", 70.271966, 70.281124, 28.551190),
    "heavy_tails": ("781e5598b212", 77.440933, 77.669903, 33.620390),
    "return": ("48b43d72b3e9", 53.703705, 53.648069, 21.096919),
    "lift_in_gap": ("1751344bde22", 72.283670, 72.234763, 27.850663),
    "wheelspin_bump": ("ef22c5fb721b", 71.737224, 71.661238, 27.653635),
    "rear_drive_gap": ("48ddeeba7fdf", 61.807070, 61.749571, 22.054483),
    "towed_gap": ("817ce01d7609", 83.319369, 83.160083, 27.533378),
    "gusts_gap": ("be0f49f4a700", 57.337769, 57.268722, 19.710997),
    "several_passes": ("885b147b31c9", 76.586082, 76.551168, 12.337551),
    "lift_in_gap_wheel": ("f4bca9a6d2ca", 69.225814, 69.294067, 25.866122),
    "traction_gap": ("5de3922d8c49", 45.659101, 45.643154, 18.355372),
    "lag_1hz_5hz": ("2021372c1fe4", 50.254364, 50.209205, 21.214771),
    "common_delay": ("255ead7bf27f", 59.103404, 59.071730, 22.839209),
    "two_loggers_common_delay": ("2bd47049fed5", 62.932137, 62.903226, 24.596264),
    "other_cars_10hz": ("0a3ec1829ba0", 61.009380, 60.996863, 22.684901),
    "other_cars_1hz": ("c670ae4f5f61", 59.305715, 59.090909, 23.484155),
    "other_cars_mixed": ("f82d9fd7cb04", 83.218862, 82.840237, 31.724078),
    "two_loggers": ("4cbfe7801c3e", 45.724348, 45.750728, 18.663331),
    "one_wrong": ("f1d64dd0aeb3", 71.998026, 71.856287, 28.429130),
    "one_wrong_wheel": ("0451209aec27", 63.331203, 63.324538, 27.163248),
    "one_wrong_of_three": ("e60c10f59712", 75.699660, 75.671585, 28.278610),
    "one_wrong_places_too": ("87962524c81d", 92.473912, 92.269327, 38.452068),
    "one_high": ("89efc64a99ae", 57.297510, 57.337014, 23.026117),
}


def test_every_family_is_held() -> None:
    assert list(DRAWN) == list(FAMILIES)  # a new one comes last, and into this table


@pytest.mark.parametrize("name", DRAWN)
def test_draws_stay_as_they_were(name: str) -> None:
    """Bit for bit in what is drawn; in what is driven with it to the digits kept."""
    state, trap_mps, official_mps, mean_mps = DRAWN[name]
    rng = seeded(20261, name, 0)
    run = family(name, rng)
    assert sha256(repr(rng.bit_generator.state).encode()).hexdigest()[:12] == state
    assert run.trap_mps == pytest.approx(trap_mps, abs=2e-6)
    assert run.official_mps == pytest.approx(official_mps, abs=2e-6)
    means = [np.nanmean(log.speed_mps) for _, _, log in run.gnss]
    assert np.mean(means) == pytest.approx(mean_mps, abs=2e-6)


@pytest.mark.parametrize("name", FAMILIES)
def test_family(name: str) -> None:
    run = family(name, seeded(11, name, 0))
    assert 45 <= run.trap_mps <= 110
    assert 10 <= run.trap.length_m <= 40
    beams = trap_travel(run.place, run.trap)
    assert 250 - 6 <= beams[0] <= 700 + 6
    assert 6 <= (run.truth.driver.brake_mps2 or 0) <= 14
    # a 1 ms timer over a tenth of a second and a tape good to 20 mm (2 per mille of 10 m): 5 sd
    assert run.official_mps == pytest.approx(run.trap_mps, rel=0.03)
    for _, _, log in run.gnss:
        assert 1 <= log.logger.rate_hz <= 25
        assert 0.03 <= log.logger.speed_white_mps <= 0.15
    kinds = {label.kind for _, _, log in run.gnss for label in log.labels}
    if name in EXPECTED:
        assert kinds == EXPECTED[name]
    if name != "mixed":
        wheeled = (
            "gap_wheel", "lag_wheel", "wheelspin_bump", "rear_drive_gap", "lift_in_gap_wheel", "one_wrong_wheel"
        )  # fmt: skip
        assert (run.wheel is not None) == (name in wheeled)


def test_eleven_main_families() -> None:
    # the eleven rows of the accuracy table, in its order
    assert (
        len(MAIN_FAMILIES) == 11 and MAIN_FAMILIES[0] == "clean_25hz" and MAIN_FAMILIES[-1] == "lift_before"
    )


def test_same_seed_same_bytes() -> None:
    one, two = (family("mixed", seeded(3, "mixed", 5)).files() for _ in range(2))
    assert one == two
    assert one != family("mixed", seeded(3, "mixed", 6)).files()


@pytest.mark.parametrize("index", range(3))
def test_gap_lies_over_the_whole_trap(index: int) -> None:
    run = family("gap", seeded(5, "gap", index))
    [label] = run.gnss[0][2].labels
    assert label.start_s < run.truth.entry_s and label.end_s > run.truth.exit_s


def test_a_common_delay_shows_in_no_speed_by_place() -> None:
    """Speed and place are those of one earlier moment: at the logged place the car had the logged speed."""
    run = family("common_delay", seeded(5, "common_delay", 0))
    log = run.gnss[0][2]
    assert 0.05 <= log.logger.delay_s <= 0.5
    then = run.truth.motion_at(log.true_s - log.logger.delay_s)[1]
    now = run.truth.motion_at(log.true_s)[1]
    # 6 sd of white noise, and as much of the drift; the delay itself costs up to 8 m/s² times 0.3 s
    wide = 6 * (log.logger.speed_white_mps + log.logger.speed_drift_mps)
    assert np.max(np.abs(log.speed_mps - then)) < wide < np.max(np.abs(log.speed_mps - now))


def test_lift_before_the_trap() -> None:
    run = family("lift_before", seeded(5, "lift_before", 0))
    assert run.truth.lift_s < run.truth.entry_s
    assert run.truth.accel_mps2[np.searchsorted(run.truth.time_s, run.truth.exit_s)] < 0


def test_files_are_written(tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("pass")
    run = family("gap_wheel", seeded(5, "gap_wheel", 1))
    paths = run.write(folder)
    assert [path.name for path in paths][-1] == "controller.csv"
    assert all(path.stat().st_size > 1000 for path in paths)
    assert (folder / "course.toml").is_file()


def test_official_figure_rounds_each_beam() -> None:
    """Errors stay within one step of the timer over the transit and five sd of the tape."""
    run = family("clean_25hz", seeded(5, "clean_25hz", 1))
    trap = Trap(run.trap.entry_m, run.trap.exit_m, 1e-3, 0.0)
    transit = trap.length_m / run.trap_mps
    rng = np.random.default_rng(1)
    times = [trap.length_m / official_speed(rng, run.truth, trap) for _ in range(200)]
    assert np.all(np.abs(np.array(times) - transit) <= 1e-3)
    assert len({round(t * 1e3, 6) for t in times}) == 2  # a whole number of milliseconds, either side


def test_figure_text() -> None:
    # 187.5 mph = 83.82 m/s exactly (NIST SP 811)
    assert figure_text(83.82, "mph", 1) == "187.5 mph"


@pytest.mark.parametrize("name", ["one_wrong", "one_wrong_of_three", "one_wrong_places_too"])
def test_one_logger_is_wrong_for_some_seconds_with_smooth_edges(name: str) -> None:
    for index in range(4):
        run = family(name, seeded(5, name, index))
        assert len(run.gnss) == (3 if name.endswith("three") else 2)
        assert [len(log.labels) for _, _, log in run.gnss] == [1] + [0] * (len(run.gnss) - 1)
        log = run.gnss[0][2]
        (label,) = log.labels
        assert 1.7 < label.end_s - label.start_s <= 5.0
        assert label.start_s < run.truth.exit_s and label.end_s > run.truth.entry_s  # it touches the trap
        error = log.speed_mps - run.truth.motion_at(log.true_s)[1]
        inside = (log.true_s >= label.start_s) & (log.true_s <= label.end_s)
        assert 0.5 < np.abs(error[inside]).max() < 5.8 and np.abs(error[~inside][1:]).max() < 0.9
        assert np.abs(error[inside][[0, -1]]).max() < 1.5  # it fades in and out


def test_one_logger_reads_a_share_more_or_less_all_along() -> None:
    for index in range(4):
        run = family("one_high", seeded(5, "one_high", index))
        share = []
        for _, _, log in run.gnss:
            true = run.truth.motion_at(log.true_s)[1]
            fast = true > 40
            share.append(float(np.mean(log.speed_mps[fast] / true[fast] - 1)))
        assert 0.005 < abs(share[0]) < 0.018 and abs(share[1]) < 0.004
