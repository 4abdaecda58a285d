"""Distance and course: what holds for any pair of positions, and the awkward places."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.measure.geodesy import SEMI_MAJOR_M, step_between, way

LATITUDES = st.floats(-90, 90)
LONGITUDES = st.floats(-180, 180)


@given(LATITUDES, LONGITUDES, LATITUDES, LONGITUDES)
def test_any_pair_has_a_finite_way_no_longer_than_half_the_globe(a: float, b: float, c: float, d: float) -> None:
    told = way(a, b, c, d)
    assert 0 <= told.distance_m < 20_100_000
    assert told.course_deg is None or 0 <= told.course_deg < 360


@given(LATITUDES, LONGITUDES, st.floats(-0.2, 0.2), st.floats(-0.2, 0.2))
def test_there_is_as_far_as_back(latitude: float, longitude: float, rise: float, turn: float) -> None:
    other = max(-90.0, min(90.0, latitude + rise))
    there, back = way(latitude, longitude, other, longitude + turn), way(other, longitude + turn, latitude, longitude)
    assert there.distance_m == pytest.approx(back.distance_m, abs=1e-7)


@pytest.mark.parametrize("latitude", [-90.0, -52.0, 0.0, 52.0, 89.999999, 90.0])
def test_the_same_position_is_no_way_and_has_no_course(latitude: float) -> None:
    assert way(latitude, 180.0, latitude, -180.0) == (0.0, None)


def test_a_degree_of_the_equator() -> None:
    told = way(0, 0, 0, 1)
    assert told.distance_m == pytest.approx(SEMI_MAJOR_M * math.pi / 180, abs=1e-6)
    assert told.course_deg == pytest.approx(90)


@pytest.mark.parametrize(
    ("to", "course_deg"), [((52.001, 7.0), 0.0), ((51.999, 7.0), 180.0), ((52.0, 7.001), 90.0), ((52.0, 6.999), 270.0)]
)
def test_the_four_winds(to: tuple[float, float], course_deg: float) -> None:
    told = way(52.0, 7.0, *to)
    assert told.course_deg == pytest.approx(course_deg, abs=0.0005)


def test_over_the_antimeridian_it_is_not_far() -> None:
    assert way(-17, 179.9999, -17, -179.9999).distance_m == pytest.approx(21.29, abs=0.01)
    assert step_between(-17, -179.9999, -17, 179.9999).east_m == pytest.approx(-21.29, abs=0.01)


def test_over_the_pole() -> None:
    told = way(89.9999, 10, 89.9999, -170)
    assert told.distance_m == pytest.approx(22.34, abs=0.01)
    assert told.course_deg == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("latitude", [0.0, 33.0, 52.0, 80.0, -89.9])
def test_short_and_long_ways_meet_where_one_ends_and_the_other_begins(latitude: float) -> None:
    """The seam at 0.005 degrees."""
    below, above = (way(latitude, 7.0, latitude + 0.002, 7.0 + turn) for turn in (0.00499999999, 0.00500000001))
    assert below.distance_m == pytest.approx(above.distance_m, abs=1e-5)
    assert below.course_deg == pytest.approx(above.course_deg, abs=1e-6)
