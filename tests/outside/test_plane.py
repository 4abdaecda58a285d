"""The plan of the field against PROJ (pyproj) and against geodesics by Karney (geographiclib)."""

from __future__ import annotations

import math

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer

from appliance.measure.plane import Plane

latitudes = st.floats(-80, 80)
longitudes = st.floats(-180, 180)
courses = st.floats(0, 360)
WAYS_M = st.floats(0.1, 10_000)


@given(latitudes, longitudes, courses, WAYS_M)
def test_distance_and_course_from_the_middle_are_those_of_geodesics(
    latitude: float, longitude: float, course: float, way_m: float
) -> None:
    there = Geodesic.WGS84.Direct(latitude, longitude, course, way_m)
    east, north = Plane(latitude, longitude).place(there["lat2"], there["lon2"])
    bent_m = way_m**3 / (6 * 6_335_000**2)  # the chord of the bend, with the smallest radius there is
    assert math.hypot(east, north) == pytest.approx(way_m, abs=bent_m + 1e-6)
    off_deg = math.remainder(math.degrees(math.atan2(east, north)) - course, 360)
    assert abs(math.radians(off_deg)) * way_m < 0.005 + 1e-6


@given(latitudes, longitudes, st.floats(-5000, 5000), st.floats(-5000, 5000))
def test_as_proj_has_it(latitude: float, longitude: float, east_m: float, north_m: float) -> None:
    """PROJ's azimuthal equidistant projection, which keeps distance and course from the middle."""
    to_plan = f"+proj=aeqd +lat_0={latitude} +lon_0={longitude} +datum=WGS84 +units=m"
    back = Transformer.from_crs(to_plan, "EPSG:4326", always_xy=True)
    lon, lat = back.transform(east_m, north_m)
    assert Plane(latitude, longitude).place(lat, lon) == pytest.approx((east_m, north_m), abs=0.01)


def test_over_the_date_line() -> None:
    east, north = Plane(-17.0, 179.9999).place(-17.0, -179.9999)
    assert east == pytest.approx(Geodesic.WGS84.Inverse(-17, 179.9999, -17, -179.9999)["s12"], abs=0.001)
    assert abs(north) < 0.001
