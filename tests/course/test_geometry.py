"""Along and across against published geodesics and GeographicLib's own Python package."""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from speedlog.course.geometry import Line, along_across, fit_line, line_between, place

LINE = Line(53.1, -1.2, 75.0)  # references.md, the test line
MICROMETRE = 1e-6
MILLIMETRE = 1e-3


def test_line_between_published_inverse():
    # test GeodSolve0 of geographiclib-python (references.md topic 4, row 1)
    line, distance = line_between((40.6, -73.8), (49.01666667, 2.55))
    assert distance == pytest.approx(5853226.256, abs=0.5)
    assert line.heading_deg == pytest.approx(53.47022, abs=5e-6)


def test_line_between_first_row_of_the_published_test_table():
    # Karney's test set, doi 10.5281/zenodo.32156, as in geographiclib's tests (references.md topic 4, row 2)
    line, distance = line_between((35.60777, -139.44815), (-11.17491, -69.95921))
    assert distance == pytest.approx(8935244.5604818305, abs=1e-8 * 10)
    assert line.heading_deg == pytest.approx(111.098748429560326, abs=1e-12)


def test_place_of_karneys_direct_example():
    # Karney 2013: 40 N, azimuth 30, 10 000 km (references.md topic 4, row 3)
    lat, lon = place(Line(40.0, 0.0, 30.0), 10_000_000.0)
    assert (lat, lon) == pytest.approx((41.79331020506, 137.84490004377), abs=1e-10)


@pytest.mark.parametrize(
    ("along", "lat", "lon"),
    [  # references.md topic 4, by geographiclib's Direct
        (520.0, 53.10120910988, -1.19250103776),
        (550.0, 53.10127885180, -1.19206839249),
        (2000.0, 53.10464783541, -1.17115553658),
    ],
)
def test_places_on_the_test_line(along, lat, lon):
    assert place(LINE, along) == pytest.approx((lat, lon), abs=1e-10)
    there, aside = along_across(LINE, lat, lon)
    assert there[0] == pytest.approx(along, abs=20 * MICROMETRE)  # eleven decimals of a degree
    assert aside[0] == pytest.approx(0.0, abs=20 * MICROMETRE)


@pytest.mark.parametrize(
    ("line", "lat", "lon", "metres", "tolerance"),
    [  # references.md topic 4: a degree on the equator and at latitude 0 to 1
        (Line(0.0, 0.0, 90.0), 0.0, 1.0, 111319.490793, MICROMETRE),
        (Line(0.0, 0.0, 0.0), 1.0, 0.0, 110574.388558, MICROMETRE),
        # 0.001 degree at 53.1 N: north and east; a degree of longitude shrinks with cos(latitude)
        (Line(53.1, -1.2, 0.0), 53.101, -1.2, 111.28816, 20 * MICROMETRE),
        (Line(53.1, -1.2, 90.0), 53.1, -1.199, 66.98200, 20 * MICROMETRE),
    ],
)
def test_cosine_of_latitude_matters(line, lat, lon, metres, tolerance):
    along, across = along_across(line, lat, lon)
    assert along[0] == pytest.approx(metres, abs=tolerance)
    assert abs(across[0]) < MILLIMETRE


def test_both_sides_of_the_line():
    # facing 75 degrees, the place due south of the start lies to the right and behind: by hand,
    # 0.001 degree south = 111.288 m, right = 111.288 sin(105 deg), along = 111.288 cos(105 deg)
    along, across = along_across(LINE, 53.099, -1.2)
    assert across[0] == pytest.approx(111.288 * np.sin(np.radians(105)), abs=2 * MILLIMETRE)
    assert along[0] == pytest.approx(111.288 * np.cos(np.radians(105)), abs=2 * MILLIMETRE)
    _, left = along_across(LINE, 53.101, -1.2)
    assert left[0] < 0


@given(
    st.floats(-80, 80),
    st.floats(-179, 179),
    st.floats(0, 359.99),
    st.floats(-3000, 3000),
    st.floats(-200, 200),
)
def test_place_and_back_agree_with_geographiclib(lat, lon, heading, along, across):
    line = Line(lat, lon, heading)
    where = place(line, along, across)
    azimuth, distance = heading + np.degrees(np.arctan2(across, along)), np.hypot(along, across)
    expected = Geodesic.WGS84.Direct(lat, lon, azimuth, distance)
    apart = Geodesic.WGS84.Inverse(where[0], where[1], expected["lat2"], expected["lon2"])["s12"]
    assert apart < MICROMETRE
    back = along_across(line, *where)
    assert (back[0][0], back[1][0]) == pytest.approx((along, across), abs=10 * MICROMETRE)


def test_missing_places_stay_missing():
    along, across = along_across(LINE, [53.1, np.nan, 53.2], [-1.2, -1.2, np.nan])
    assert along[0] == pytest.approx(0.0, abs=MICROMETRE)
    assert np.isnan(along[1:]).all() and np.isnan(across[1:]).all()


def drive(
    heading: float, *, reverse: bool = False, seed: int = 1
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """300 places from 0 to 900 m on a line with 5 cm noise, by geographiclib."""
    rng = np.random.default_rng(seed)
    along = np.linspace(0, 900, 300)[:: -1 if reverse else 1]
    across = 0.05 * rng.standard_normal(300)
    pairs = [
        Geodesic.WGS84.Direct(53.1, -1.2, heading + np.degrees(np.arctan2(y, x)), np.hypot(x, y))
        for x, y in zip(along, across, strict=True)
    ]
    return np.array([p["lat2"] for p in pairs]), np.array([p["lon2"] for p in pairs]), across


@pytest.mark.parametrize("heading", [0.0, 75.0, 180.0, 271.5])
def test_fitted_line_finds_heading_and_start(heading):
    lat, lon, _ = drive(heading)
    line = fit_line(lat, lon)
    # sd of the slope of 300 places, 5 cm each, over 900 m: 0.05 / (260 sqrt(300)) rad = 0.0006 degrees
    assert (line.heading_deg - heading + 180) % 360 - 180 == pytest.approx(0.0, abs=0.0025)
    along, across = along_across(line, 53.1, -1.2)
    assert np.hypot(along[0], across[0]) < 0.25  # the first place is one place: 5 cm noise, five sd


def test_fitted_line_points_the_way_of_travel():
    lat, lon, _ = drive(75.0, reverse=True)
    line = fit_line(lat, lon)
    # convergence: at 900 m the line's azimuth is 75 + 900/550 * 0.00634 (references.md topic 4)
    assert line.heading_deg == pytest.approx(255.0104, abs=0.003)


def test_bad_places_do_not_turn_the_line():
    lat, lon, _ = drive(75.0)
    lat[200:240] += 0.0005  # 56 m north for 40 of 300 places
    assert fit_line(lat, lon).heading_deg == pytest.approx(75.0, abs=0.0025)


def test_start_of_the_fitted_line_is_the_foot_of_the_launch_point():
    lat, lon, _ = drive(75.0)
    launch = place(LINE, 0.0, 2.0)  # stood two metres right of the line it then ran on
    along, across = along_across(fit_line(lat, lon, start=launch), *launch)
    assert along[0] == pytest.approx(0.0, abs=MILLIMETRE)
    assert across[0] == pytest.approx(2.0, abs=0.03)


def test_one_place_is_no_line():
    with pytest.raises(ValueError, match="two distinct places"):
        fit_line([53.1, 53.1, np.nan], [-1.2, -1.2, -1.2])
