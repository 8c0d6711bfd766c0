"""The pack's resistance by a known line, robustly, and found again from simulated logs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from speedlog.demo.car import Pack
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle import wording
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.pack import fit_cloud
from speedlog.vehicle.study import study
from tests.vehicle.simulated import CAR, FACTS, changed, simulated, without

S = VehicleSettings()
EXACT = VehicleSettings(scale_u=0.0)  # the simulator's logger has a true scale


def test_a_line_without_noise_comes_back_exactly() -> None:
    # references.md, topic 10: V = 50.4 - 0.006 I at 10, 50, 100, 200, 300 A
    current = np.array([10.0, 50.0, 100.0, 200.0, 300.0])
    cloud = fit_cloud(50.4 - 0.006 * current, current, np.zeros(5), 1e-9, S)
    assert cloud.fit[0] == pytest.approx(50.4, abs=1e-9)
    assert cloud.fit[2] == pytest.approx(0.006, abs=1e-12)


def test_against_ordinary_least_squares() -> None:
    """Normal noise, no stray rows: within the little that weighing costs of numpy's own least squares."""
    rng = np.random.default_rng(4)
    current, used = rng.uniform(0, 250, 400), np.linspace(0, 0.4, 400)
    voltage = 49.9 - 0.8 * used - 0.0055 * current + 0.03 * rng.standard_normal(400)
    cloud = fit_cloud(voltage, current, used, 1e6, S)
    design = np.column_stack([np.ones(400), -used, -current])
    plain = np.linalg.lstsq(design, voltage, rcond=None)[0]
    u = np.sqrt(np.diag(np.linalg.inv(design.T @ design))) * 0.03
    assert np.all(np.abs(cloud.fit - plain) < 0.5 * u)
    assert np.sqrt(np.diag(cloud.covariance)) == pytest.approx(u, rel=0.25)


@pytest.mark.parametrize("stray", [0.05, 0.2])
def test_stray_rows_do_not_pull(stray: float) -> None:
    rng = np.random.default_rng(5)
    current, used = rng.uniform(0, 250, 400), np.linspace(0, 0.4, 400)
    voltage = 49.9 - 0.8 * used - 0.0055 * current + 0.03 * rng.standard_normal(400)
    voltage[: int(stray * 400)] -= rng.uniform(1, 10, int(stray * 400))
    cloud = fit_cloud(voltage, current, used, 1.2, S)
    assert cloud.fit[2] == pytest.approx(0.0055, abs=4 * 0.03 / (72 * np.sqrt(400)))


def test_the_car_is_found_again_in_its_logs() -> None:
    """20 cars, each with its own pack: three quantities each inside the 95 % interval.

    60 draws at 95 %: under 52 inside happens 1 time in 100 (binomial). The benchmark of 200 cars gives the share.
    """
    rng = np.random.default_rng(6)
    inside = 0
    for seed in range(20):
        ohm, fall = rng.uniform(0.004, 0.009), rng.uniform(0.5, 1.2)
        car = replace(CAR, drive=replace(CAR.drive, pack=Pack(49.9, ohm, fall)))
        pack = study(simulated(seed, car=car).pass_, FACTS, (), EXACT).pack
        for found, true in ((pack.resistance_ohm, ohm), (pack.fall_v_per_ah, fall), (pack.open_v, 49.9)):
            assert found is not None
            inside += found.low <= true <= found.high
    assert inside >= 52


def test_sag_energy_cells_and_rate() -> None:
    item = simulated(1)
    pack, truth = study(item.pass_, FACTS, (), EXACT).pack, item.truth
    step = np.diff(truth.slow_s)
    energy = float((truth.pack_current_a * truth.pack_voltage_v)[:-1] @ step) / 3600
    top = float(truth.pack_current_a.max())
    assert pack.energy_wh is not None and pack.energy_wh.low <= energy <= pack.energy_wh.high
    assert pack.sag_v is not None and pack.sag_v.value == pytest.approx(0.0055 * top, abs=0.02)
    assert pack.lowest_cell_v is not None and pack.lowest_v is not None
    assert pack.lowest_cell_v.value == pytest.approx(pack.lowest_v.value / 12)
    assert pack.c_rate is not None and pack.c_rate.value == pytest.approx(top / 5.0, abs=0.3)
    assert pack.resistance_per_cell_ohm is not None and pack.resistance_ohm is not None
    assert pack.resistance_per_cell_ohm.value == pytest.approx(pack.resistance_ohm.value / 12)


def test_the_scale_by_the_charge_goes_into_the_resistance() -> None:
    item = simulated(1)
    true_ah = float(item.truth.pack_current_a[:-1] @ np.diff(item.truth.slow_s)) / 3600
    trace = item.pass_.trace
    assert trace is not None
    low = changed(item, current_a=0.8 * trace.loggers[1].channels["current_a"])
    settings = VehicleSettings(scale_u=0.5)  # a logger of which nothing is known
    pack = study(low, replace(FACTS, charge_put_back_ah=true_ah), (), settings).pack
    assert pack.scale_from_charge and pack.resistance_ohm is not None
    assert pack.resistance_ohm.value == pytest.approx(0.0055, rel=0.03)
    assert pack.resistance_ohm.low < 0.0055 < pack.resistance_ohm.high


def test_why_not() -> None:
    item = simulated(1)
    assert study(without(item, "voltage_v"), FACTS).pack.why_not[""] == wording.NO_VOLTAGE
    no_current = study(without(item, "current_a"), FACTS).pack
    assert no_current.why_not["resistance_ohm"] == wording.NO_CURRENT and no_current.lowest_v is not None
    motor = study(item.pass_, replace(FACTS, current_of="motor")).pack
    assert motor.why_not["resistance_ohm"] == wording.NOT_PACK_CURRENT
    bare = study(item.pass_, CarFacts(current_of="pack")).pack
    assert bare.why_not["lowest_cell_v"] == wording.NO_CELLS and bare.why_not["c_rate"] == wording.NO_CAPACITY
    trace = item.pass_.trace
    assert trace is not None
    logged = trace.loggers[1].channels["current_a"]
    level = study(changed(item, current_a=0 * logged + 100.0), FACTS).pack
    assert level.why_not["resistance_ohm"] == wording.LITTLE_SPREAD
    rising = study(changed(item, voltage_v=48.0 + 0.01 * logged), FACTS).pack
    assert rising.why_not["resistance_ohm"] == wording.NO_RESISTANCE


def test_the_voltage_by_hand_beside_the_logged() -> None:
    item = simulated(1)
    used = float(item.truth.pack_current_a[:-1] @ np.diff(item.truth.slow_s)) / 3600
    rest = 49.9 - 0.8 * used  # the simulator's pack, without load
    pack = study(item.pass_, replace(FACTS, pack_voltage_rest_v=rest), (), EXACT).pack
    assert pack.hand_less_logged_v is not None and abs(pack.hand_less_logged_v.value) < 0.02
    assert pack.rest_cell_v is not None and pack.rest_cell_v.value == pytest.approx(rest / 12)
    trace = item.pass_.trace
    assert trace is not None
    low = changed(
        item, voltage_v=0.98 * trace.loggers[1].channels["voltage_v"]
    )  # a controller that reads 2 % low
    off = study(low, replace(FACTS, pack_voltage_rest_v=rest), (), EXACT).pack.hand_less_logged_v
    assert off is not None and off.low > 0 and off.value == pytest.approx(0.02 * rest, abs=0.02)
