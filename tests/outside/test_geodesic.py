"""Distance and course against two independent solvers of the geodesic on WGS 84.

GeographicLib (C. F. F. Karney, "Algorithms for geodesics", J. Geodesy 87, 43-55, 2013: 15 nm) through its own Python
package geographiclib, and PROJ through pyproj.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from random import Random

import pytest
from geographiclib.geodesic import Geodesic
from pyproj import Geod

from appliance.measure.geodesy import way

PAIRS = 10_000
NEAR_M = 1e-4
NEAR_DEG = 1e-3
PLACES = ("anywhere", "north-pole", "south-pole", "antimeridian", "equator", "same-parallel", "same-meridian")

Pair = tuple[float, float, float, float]


def pairs(count: int, seed: int) -> Iterator[Pair]:
    """Pairs 1 mm to 100 km apart, as many in each power of ten, all over the globe and at its awkward places."""
    dice = Random(f"pairs {seed}")
    for number in range(count):
        place = PLACES[number % len(PLACES)]
        distance_m = 10 ** dice.uniform(-3, 5)
        latitude = math.degrees(math.asin(dice.uniform(-1, 1)))
        longitude, course = dice.uniform(-180, 180), dice.uniform(0, 360)
        near_deg = dice.uniform(0, distance_m) / 111_320
        if place == "north-pole":
            latitude = 90 - near_deg * dice.choice([0, 1, 1])
        elif place == "south-pole":
            latitude = near_deg - 90
        elif place == "antimeridian":
            longitude = dice.choice([-180 + near_deg, 180 - near_deg, 180.0, -180.0])
        elif place == "equator":
            latitude = dice.choice([0.0, near_deg])
        elif place == "same-parallel":
            course = dice.choice([90.0, 270.0])
        elif place == "same-meridian":
            course = dice.choice([0.0, 180.0])
        there = Geodesic.WGS84.Direct(latitude, longitude, course, distance_m)
        other = latitude if place == "same-parallel" else there["lat2"]
        yield latitude, longitude, other, there["lon2"]


def turn_deg(one: float, other: float) -> float:
    return abs(math.remainder(one - other, 360))


@pytest.mark.slow
def test_ten_thousand_pairs_agree_with_geographiclib_and_proj() -> None:
    proj = Geod(ellps="WGS84")
    told = 0
    for pair in pairs(PAIRS, 1):
        ours = way(*pair)
        theirs = Geodesic.WGS84.Inverse(*pair)
        course_proj, _, distance_proj = proj.inv(pair[1], pair[0], pair[3], pair[2])
        assert ours.distance_m == pytest.approx(theirs["s12"], abs=NEAR_M), pair
        assert ours.distance_m == pytest.approx(distance_proj, abs=NEAR_M), pair
        if theirs["s12"] >= 1e-3:
            told += 1
            assert ours.course_deg is not None
            assert turn_deg(ours.course_deg, theirs["azi1"]) < NEAR_DEG, pair
            assert turn_deg(ours.course_deg, course_proj) < NEAR_DEG, pair
    assert told > 0.9 * PAIRS


def test_ways_across_the_globe_agree_too() -> None:
    """A jump may go anywhere. Almost opposite points, where the series does not settle, are left out."""
    dice = Random("globe")
    asked = 0
    while asked < 1000:
        pair = dice.uniform(-90, 90), dice.uniform(-180, 180), dice.uniform(-90, 90), dice.uniform(-180, 180)
        theirs = Geodesic.WGS84.Inverse(*pair)
        if theirs["a12"] > 178:
            continue
        asked += 1
        ours = way(*pair)
        assert ours.distance_m == pytest.approx(theirs["s12"], abs=NEAR_M)
        assert ours.course_deg is not None
        assert turn_deg(ours.course_deg, theirs["azi1"]) < NEAR_DEG


def test_opposite_points_are_half_the_globe_apart() -> None:
    dice = Random("opposite")
    for _ in range(1000):
        latitude, longitude = dice.uniform(-90, 90), dice.uniform(-180, 180)
        near, far = dice.gauss(0, 0.3), dice.gauss(0, 0.3)
        pair = latitude, longitude, max(-90.0, min(90.0, near - latitude)), longitude + 180 + far
        ours, theirs = way(*pair), Geodesic.WGS84.Inverse(*pair)
        assert ours.distance_m == pytest.approx(theirs["s12"], abs=100_000), pair


@pytest.mark.parametrize("decimals", [4, 5, 6, 7, 8])
def test_what_a_decimal_of_a_minute_is_worth(decimals: int) -> None:
    """1' = 1852 m (the nautical mile of 1929): 0.185 m at 4 decimals, 18.5 mm, 1.85 mm, 0.185 mm, 0.0185 mm.

    A minute of latitude is 1843 m at the equator and 1862 m at the poles, so half a percent either way.
    """
    step_deg = 10.0**-decimals / 60
    for latitude in range(-89, 89, 7):
        told = way(latitude, 11.0, latitude + step_deg, 11.0)
        assert told.distance_m == pytest.approx(1852 * 10.0**-decimals, rel=0.0065)
