"""Random families: in their ranges, labelled as named, the same for the same seed."""

from __future__ import annotations

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
}


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
        wheeled = ("gap_wheel", "lag_wheel", "wheelspin_bump", "rear_drive_gap")
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
