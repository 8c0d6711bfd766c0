"""What is said of a fit and of what it brings."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from speedlog.report.forecast_words import fit_warnings, fitted_line


def known(missed: bool, settled: bool = True) -> Any:
    run = SimpleNamespace(observed=SimpleNamespace(name="12"), misfit_mps=0.1)
    return cast(Any, SimpleNamespace(
        fitted=SimpleNamespace(passes=(run,), settled=settled, missed=lambda settings: missed)
    ))  # fmt: skip


@pytest.mark.parametrize("missed", [False, True])
def test_a_fit_that_missed_the_car_is_told(missed: bool) -> None:
    assert ("missed the car" in fitted_line(known(missed))) == missed
    assert len(fit_warnings(known(missed, settled=False))) == 1 + missed
