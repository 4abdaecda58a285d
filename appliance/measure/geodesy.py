"""Distance and course over the ground between two positions, on the WGS 84 ellipsoid.

Long ways: T. Vincenty, "Direct and inverse solutions of geodesics on the ellipsoid with application of nested
equations", Survey Review XXIII 176 (1975), the inverse problem. Its series is good to a tenth of a millimetre at any
distance; between points almost opposite on the globe it does not converge.

Short ways, which is nearly all that a track is made of: Delambre's (Gauss's) analogies of the spherical triangle,
with the radii of curvature at the middle latitude. They are exact on the sphere, poles included; what the ellipsoid
adds is below a micrometre over the distances for which they are used, and there they lose nothing to cancellation.
"""

from __future__ import annotations

import math
from typing import NamedTuple

SEMI_MAJOR_M = 6_378_137.0
FLATTENING = 1 / 298.257223563
"""WGS 84 (NIMA TR8350.2)."""
E2 = FLATTENING * (2 - FLATTENING)
"""The square of its first eccentricity."""

_SEMI_MINOR_M = SEMI_MAJOR_M * (1 - FLATTENING)
_SECOND_E2 = E2 / (1 - E2)
_SHORT_DEG = 0.005
"""Difference of latitude and of longitude up to which a way is short: some 550 m."""
_ROUNDS_MOST = 200
_CLOSE_RAD = 1e-14


class Way(NamedTuple):
    """From one position to another: metres, and degrees from true north at its start, 0 up to 360.

    course_deg is None where the two are the same. From a pole it is told as the limit along the meridian that the
    pole's longitude names.
    """

    distance_m: float
    course_deg: float | None


class Step(NamedTuple):
    """The same as a vector: metres to the north and to the east, as the way starts."""

    north_m: float
    east_m: float


def way(from_latitude: float, from_longitude: float, to_latitude: float, to_longitude: float) -> Way:
    """The shortest way, from degrees (north and east positive, longitudes of any turn).

    To 0.1 mm; within about half a degree of the antipode, where the series may not settle, within some tens of km.
    """
    step = step_between(from_latitude, from_longitude, to_latitude, to_longitude)
    distance_m = math.hypot(*step)
    if distance_m == 0:
        return Way(0.0, None)
    course_deg = math.degrees(math.atan2(step.east_m, step.north_m)) % 360
    return Way(distance_m, course_deg if course_deg < 360 else 0.0)


def step_between(from_latitude: float, from_longitude: float, to_latitude: float, to_longitude: float) -> Step:
    """As `way`, told as a vector."""
    turn = to_longitude - from_longitude
    rise = to_latitude - from_latitude
    if not -180 <= turn <= 180:
        turn = math.remainder(turn, 360)
    if -_SHORT_DEG < turn < _SHORT_DEG and -_SHORT_DEG < rise < _SHORT_DEG:
        return _short(from_latitude, math.radians(rise), math.radians(turn))
    return _vincenty(math.radians(from_latitude), math.radians(to_latitude), math.radians(turn))


def _short(from_latitude: float, rise: float, turn: float) -> Step:
    middle = math.radians(from_latitude) + rise / 2
    sine = math.sin(middle)
    w2 = 1 - E2 * sine * sine
    across_m = SEMI_MAJOR_M / math.sqrt(w2)  # N, prime vertical
    along_m = across_m * (1 - E2) / w2  # M, meridional
    half = turn / 2
    east_m = 2 * across_m * math.sin(half) * math.cos(middle)
    north_m = 2 * along_m * math.sin(rise / 2) * math.cos(half)
    # The middle course, turned back to the start by half the convergence of the meridians.
    back = math.atan(math.tan(half) * sine / math.cos(rise / 2))
    cosine, sine = math.cos(back), math.sin(back)
    return Step(north_m * cosine + east_m * sine, east_m * cosine - north_m * sine)


def _vincenty(latitude_1: float, latitude_2: float, turn: float) -> Step:
    """Names as in Vincenty's paper, but for U: reduced latitudes."""
    sin_1, cos_1 = _reduced(latitude_1)
    sin_2, cos_2 = _reduced(latitude_2)
    lam = turn
    for _ in range(_ROUNDS_MOST):
        sin_lam, cos_lam = math.sin(lam), math.cos(lam)
        east, north = cos_2 * sin_lam, cos_1 * sin_2 - sin_1 * cos_2 * cos_lam
        sin_sigma = math.hypot(east, north)
        cos_sigma = sin_1 * sin_2 + cos_1 * cos_2 * cos_lam
        sigma = math.atan2(sin_sigma, cos_sigma)
        if sin_sigma == 0:
            return Step(0.0, 0.0) if cos_sigma > 0 else Step(math.pi * _SEMI_MINOR_M, 0.0)
        sin_alpha = cos_1 * cos_2 * sin_lam / sin_sigma
        cos2_alpha = 1 - sin_alpha * sin_alpha
        # On the equator cos2_alpha is 0, and so is what it divides.
        cos_2m = cos_sigma - 2 * sin_1 * sin_2 / cos2_alpha if cos2_alpha > 1e-15 else 0.0
        c = FLATTENING / 16 * cos2_alpha * (4 + FLATTENING * (4 - 3 * cos2_alpha))
        tail = cos_2m + c * cos_sigma * (2 * cos_2m * cos_2m - 1)
        new = turn + (1 - c) * FLATTENING * sin_alpha * (sigma + c * sin_sigma * tail)
        settled = abs(new - lam) < _CLOSE_RAD
        lam = new if abs(new) <= math.pi else math.copysign(math.pi, new)
        if settled:
            break
    u2 = cos2_alpha * _SECOND_E2
    a = 1 + u2 / 16384 * (4096 + u2 * (-768 + u2 * (320 - 175 * u2)))
    b = u2 / 1024 * (256 + u2 * (-128 + u2 * (74 - 47 * u2)))
    m2 = cos_2m * cos_2m
    inner = cos_sigma * (2 * m2 - 1) - b / 6 * cos_2m * (4 * sin_sigma * sin_sigma - 3) * (4 * m2 - 3)
    distance_m = _SEMI_MINOR_M * a * (sigma - b * sin_sigma * (cos_2m + b / 4 * inner))
    return Step(distance_m * north / sin_sigma, distance_m * east / sin_sigma)


def _reduced(latitude: float) -> tuple[float, float]:
    """Sine and cosine of the reduced latitude."""
    sine, cosine = (1 - FLATTENING) * math.sin(latitude), math.cos(latitude)
    size = math.hypot(sine, cosine)
    return sine / size, cosine / size
