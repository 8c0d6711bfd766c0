"""What is said of a fit and of what it brings."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from speedlog.report.forecast_words import (
    fit_warnings,
    fitted_line,
    part_name,
    pass_names,
    plainly,
    planned,
    warnings,
)
from speedlog.results_quantity import Quantity95
from speedlog.vehicle.car import PART, Car
from speedlog.vehicle.plan import Known, Makers, Plan


def known(missed: bool, settled: bool = True) -> Any:
    run = SimpleNamespace(observed=SimpleNamespace(name="12"), misfit_mps=0.1)
    return cast(Any, SimpleNamespace(
        fitted=SimpleNamespace(passes=(run,), settled=settled, missed=lambda settings: missed)
    ))  # fmt: skip


@pytest.mark.parametrize("missed", [False, True])
def test_a_fit_that_missed_the_car_is_told(missed: bool) -> None:
    assert "Fitted to 12;" in fitted_line(known(missed))
    assert any("missed the car" in text for text in fit_warnings(known(missed))) == missed
    assert len(fit_warnings(known(missed, settled=False))) == 1 + missed


def test_the_pass_that_a_fit_misses_most_is_named() -> None:
    found = known(True)
    far = SimpleNamespace(observed=SimpleNamespace(name="/a/day/session.toml/2"), misfit_mps=0.3)
    near = SimpleNamespace(observed=SimpleNamespace(name="/a/day/session.toml/9"), misfit_mps=0.2)
    assert "most of all" not in fit_warnings(found)[0]
    found.fitted.passes = (near, far)
    assert "noise, most of all in session.toml/2, so" in fit_warnings(found)[0]


def test_the_plan_names_whatever_was_changed() -> None:
    plan = Plan(
        600.0, 30.0, -2.0, 0.5, set={"wheel_m": 0.084, "mass_kg": 6.9, "pack_limit_a": 320.0}, cells=14
    )
    said = planned(cast(Any, SimpleNamespace(told=SimpleNamespace(plan=plan), known=Known(Car()))))
    assert said.startswith("Run-up 600 m, trap 30 m, current limit 320 A, ramp 1.0 s, gear 1, ")
    assert "wheel diameter 84.0 mm, mass 6.90 kg, 14 cells, tail wind 2.0" in said
    bare = planned(cast(Any, SimpleNamespace(told=SimpleNamespace(plan=replace(plan, set={}, cells=None)),
                                             known=Known(Car()))))  # fmt: skip
    assert "gear 1, tail wind" in bare and "current limit 240 A" in bare


@pytest.mark.parametrize(
    ("names", "shown"),
    [
        (["/a/day/session.toml/2", "/a/day/session.toml/9"], ["session.toml/2", "session.toml/9"]),
        (["/a/one/session.toml/2", "/a/two/session.toml/2"], ["one/session.toml/2", "two/session.toml/2"]),
        (["C:\\x\\session.toml/2", "12"], ["session.toml/2", "12"]), (["2026-08-22/1"], ["2026-08-22/1"]), ([], []),
    ],
)  # fmt: skip
def test_passes_without_the_folders_that_tell_none_apart(names: list[str], shown: list[str]) -> None:
    assert pass_names(names) == shown


@pytest.mark.parametrize(
    ("low", "high", "shown"),
    [
        (3.26, 3.34, "3.30 V, 95 % 3.26 to 3.34"), (3.298, 3.302, "3.300 V, 95 % 3.298 to 3.302"),
        (3.3, 3.3, "3.30 V, 95 % 3.30 to 3.30"),
    ],
)  # fmt: skip
def test_an_interval_never_rounds_to_none(low: float, high: float, shown: str) -> None:
    assert plainly(Quantity95(3.3, low, high), "V", 2).replace("\u00a0", " ") == shown


def test_a_number_is_called_without_its_unit() -> None:
    names = ("drag_area_m2", "kv_rpm_per_v", "winding_ohm", "fall_v_per_ah", "bend")
    shown = ["drag area", "motor Kv", "motor resistance", "pack fall", "Kv bend"]
    assert [part_name(PART[name]) for name in names] == shown


@pytest.mark.parametrize(
    ("met", "share", "told"), [(False, 0.06, True), (False, 0.04, False), (True, 0.9, False)]
)
def test_a_limit_that_no_pass_met_is_told(met: bool, share: float, told: bool) -> None:
    """Both sides of a twentieth of the draws; 2 is the voltage in the simulation's list of limits."""
    run = SimpleNamespace(which=np.array([0, 1, 2 if met else 3]), observed=SimpleNamespace(name="12"))
    fitted = SimpleNamespace(passes=(run,), settled=True, missed=lambda settings: False)
    found = SimpleNamespace(
        known=SimpleNamespace(fitted=fitted, makers=Makers()),
        told=SimpleNamespace(voltage_share=share, trap_mps=None),
    )
    assert any("run out of voltage" in text for text in warnings(cast(Any, found))) == told
