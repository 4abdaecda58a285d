"""A tractor that drives: passes up and down an invented field, and whatever other plan there is (`plans.py`).

The path is a chain of straights and arcs of a circle, so the heading never jumps. The motion along it is a chain
of phases of constant acceleration, so the speed never jumps. Both are exact functions of time: what `Drive.at`
says of course and speed is the derivative of the position it says, not a difference of two positions.

From the plane to degrees. With the field's origin at latitude f, the metres north and east of it are divided by
the radii of curvature of the WGS 84 ellipsoid (a = 6 378 137 m, 1/e: 1/298.257223563; NIMA TR8350.2):

    meridional      M = a (1 - e2) / (1 - e2 sin2 f)^(3/2)       latitude  += north / (M + h)
    prime vertical  N = a / (1 - e2 sin2 f)^(1/2)                longitude += east / ((N + h) cos f)

The radii are taken once, at the origin. What is left out is the narrowing of the meridians across the field, a
share of north x tan f / M: at 600 m and 52 degrees 0.012 %, which is 0.4 mm/s of speed at 3 m/s and 0.007 degrees of
course. That is far below what a receiver of the best class shows. On the road, 1.6 km out at 14 m/s, it is 5 mm/s.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from random import Random

from .plans import PLANS
from .way import Piece, Way

ORIGIN_DEG = (52.1, -1.2)  # south-west corner of the invented field
ALTITUDE_M = 112.0

TURN_M = 20.0  # an arc with a smaller radius is a turn

SEMI_MAJOR_M = 6_378_137.0
FLATTENING = 1 / 298.257223563


@dataclass(slots=True, frozen=True)
class State:
    """Where the tractor is and how it moves: degrees on WGS 84, metres, metres a second, degrees from true north.

    course_deg and heading_deg are 0 up to 360. The course is the way that it moves, the heading the way that it faces:
    backing up they are opposite. At a standstill the course is the heading.
    """

    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    speed_mps: float
    course_deg: float
    heading_deg: float


class Drive:
    """One tractor's way for ever: its plan is gone through in a closed loop, again and again.

    seed: chooses the bearing, and what the plan leaves open, such as the length of the passes and the speeds. plan: a
    name from PLANS. parked_s: how long the tractor stands before each round, so also before the first movement.
    origin_deg: latitude and longitude of where it begins.
    """

    def __init__(
        self,
        seed: int,
        *,
        plan: str = "field",
        parked_s: float = 12.0,
        origin_deg: tuple[float, float] = ORIGIN_DEG,
    ) -> None:
        if plan not in PLANS:
            raise ValueError(f"no plan is named {plan!r}; there are {', '.join(PLANS)}")
        dice = Random(f"drive {seed}")
        self._bearing_rad = math.radians(dice.uniform(0, 360))
        self._sine, self._cosine = math.sin(self._bearing_rad), math.cos(self._bearing_rad)
        way = Way()
        PLANS[plan](way, dice, parked_s)
        self._pieces, self._phases, self._time_s = way.pieces, way.phases, way.time_s
        self._piece_starts = [piece.start_m for piece in self._pieces]
        self._phase_starts = [phase.start_s for phase in self._phases]

        self._origin_deg = origin_deg
        latitude_rad = math.radians(origin_deg[0])
        e2 = FLATTENING * (2 - FLATTENING)
        w2 = 1 - e2 * math.sin(latitude_rad) ** 2
        self._north_m = SEMI_MAJOR_M * (1 - e2) / w2**1.5 + ALTITUDE_M
        self._east_m = (SEMI_MAJOR_M / math.sqrt(w2) + ALTITUDE_M) * math.cos(latitude_rad)

    @property
    def round_s(self) -> float:
        """How long one round takes."""
        return self._time_s

    def spot(self, t_s: float) -> tuple[float, float, float]:
        """Where it is on the plan itself, whatever its bearing: metres to the right and ahead of the start, and m/s."""
        (x_m, y_m, _), speed_mps, _ = self._on_way(t_s)
        return x_m, y_m, speed_mps

    def turning(self, t_s: float) -> bool:
        """Whether it goes round an arc as narrow as a turn at the end of a pass."""
        _, speed_mps, piece = self._on_way(t_s)
        return speed_mps > 0 and abs(piece.bend_per_m) > 1 / TURN_M

    def _on_way(self, t_s: float) -> tuple[tuple[float, float, float], float, Piece]:
        """Place and heading on the plan, speed, and the piece of the way."""
        time_s = t_s % self._time_s
        phase = self._phases[bisect_right(self._phase_starts, time_s) - 1]
        since_s = time_s - phase.start_s
        way_m = phase.way_m + phase.speed_mps * since_s + phase.gain_mps2 * since_s**2 / 2
        piece = self._pieces[max(0, bisect_right(self._piece_starts, way_m) - 1)]
        return piece.at(way_m), max(0.0, phase.speed_mps + phase.gain_mps2 * since_s), piece

    def at(self, t_s: float) -> State:
        """Where the tractor is at a time, in seconds from the start; any real number."""
        (x_m, y_m, heading_rad), speed_mps, piece = self._on_way(t_s)
        east_m, north_m = x_m * self._cosine + y_m * self._sine, y_m * self._cosine - x_m * self._sine
        longitude_deg = self._origin_deg[1] + math.degrees(east_m / self._east_m)
        course_deg = math.degrees(heading_rad + self._bearing_rad) % 360
        heading_deg = (course_deg + 180) % 360 if piece.backing else course_deg
        return State(
            latitude_deg=self._origin_deg[0] + math.degrees(north_m / self._north_m),
            longitude_deg=longitude_deg if -180 <= longitude_deg < 180 else (longitude_deg + 180) % 360 - 180,
            altitude_m=ALTITUDE_M + 0.012 * y_m + 0.5 * math.sin(x_m / 40),
            speed_mps=speed_mps,
            course_deg=course_deg if speed_mps else heading_deg,
            heading_deg=heading_deg,
        )
