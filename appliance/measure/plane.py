"""A field as a plane: metres to the east and to the north of a place, as a surveyor's plan has them.

The plane touches the WGS 84 ellipsoid at that place (local east, north, up: EPSG Guidance Note 7-2, "Topocentric
conversions", from memory). Seen on it, a way within 10 km of the place is short by no more than 4 mm in 10 km, from the
bend of the earth; heights are left out.
"""

from __future__ import annotations

import math

from appliance.measure.geodesy import E2, SEMI_MAJOR_M


class Plane:
    """Touches at a place in degrees, north and east positive."""

    def __init__(self, latitude_deg: float, longitude_deg: float) -> None:
        self._longitude_deg = longitude_deg
        latitude = math.radians(latitude_deg)
        self._sine, self._cosine = math.sin(latitude), math.cos(latitude)
        self._axis_m, self._up_m = _meridian(latitude)

    def place(self, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
        """Metres to the east and to the north."""
        axis_m, up_m = _meridian(math.radians(latitude_deg))
        turn = math.radians(math.remainder(longitude_deg - self._longitude_deg, 360))
        out_m = axis_m * math.cos(turn) - self._axis_m
        return axis_m * math.sin(turn), (up_m - self._up_m) * self._cosine - out_m * self._sine


def _meridian(latitude: float) -> tuple[float, float]:
    """Of a place on the ellipsoid, in radians: metres from the earth's axis, and from the plane of the equator."""
    sine = math.sin(latitude)
    across_m = SEMI_MAJOR_M / math.sqrt(1 - E2 * sine * sine)
    return across_m * math.cos(latitude), across_m * (1 - E2) * sine
