"""What is said of a fit, on both sides of the misfit that is too much."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from speedlog.report.forecast_words import fitted_line


@pytest.mark.parametrize(("misfit", "told"), [(0.19, False), (0.21, True)])
def test_a_fit_that_missed_the_car_is_told(misfit: float, told: bool) -> None:
    run = SimpleNamespace(observed=SimpleNamespace(name="12"), misfit_mps=misfit)
    known = SimpleNamespace(fitted=SimpleNamespace(passes=(run,), settled=True))
    assert ("missed the car" in fitted_line(cast(Any, known))) == told
