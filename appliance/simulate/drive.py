"""A tractor that drives: passes up and down an invented field, headland turns between them, and parked spells.

The path is a chain of straights and arcs of a circle, so the heading never jumps. The motion along it is a chain
of phases of constant acceleration, so the speed never jumps. Both are exact functions of time: what `Drive.at`
says of course and speed is the derivative of the position it says, not a difference of two positions.

From the plane to degrees. With the field's origin at latitude f, the metres north and east of it are divided by
the radii of curvature of the WGS 84 ellipsoid (a = 6 378 137 m, 1/e: 1/298.257223563; NIMA TR8350.2):

    meridional      M = a (1 - e2) / (1 - e2 sin2 f)^(3/2)       latitude  += north / (M + h)
    prime vertical  N = a / (1 - e2 sin2 f)^(1/2)                longitude += east / ((N + h) cos f)

The radii are taken once, at the origin. What is left out is the narrowing of the meridians across the field, a
share of north x tan f / M: at 600 m and 52 degrees 0.012 %, which is 0.4 mm/s of speed at 3 m/s and 0.007 degrees of
course. That is far below what a receiver of the best class shows.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from random import Random

ORIGIN_DEG = (52.1, -1.2)  # south-west corner of the invented field
ALTITUDE_M = 112.0

SEMI_MAJOR_M = 6_378_137.0
FLATTENING = 1 / 298.257223563

PASSES = 12
WIDTH_M = 12.0  # from one pass to the next; a turn is a half circle of this diameter
TURN_MPS = 2.0
PASS_MPS = (2.4, 4.0)
ACCELERATION_MPS2 = 0.5
STOP_S = 25.0  # a stop in the middle of a pass, as for a filling


@dataclass(slots=True, frozen=True)
class State:
    """Where the tractor is and how it moves: degrees on WGS 84, metres, metres a second, degrees from true north.

    course_deg is 0 up to 360. At a standstill it is the way the tractor faces.
    """

    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    speed_mps: float
    course_deg: float


@dataclass(slots=True, frozen=True)
class _Piece:
    """A straight (bend 0) or an arc (bend = 1/radius, positive to the right), from where the last one ended."""

    start_m: float
    x_m: float
    y_m: float
    heading_rad: float
    bend_per_m: float

    def at(self, way_m: float) -> tuple[float, float, float]:
        """x, y and heading this far along the whole path."""
        along_m = way_m - self.start_m
        heading = self.heading_rad + self.bend_per_m * along_m
        if self.bend_per_m == 0:
            return (
                self.x_m + along_m * math.sin(heading),
                self.y_m + along_m * math.cos(heading),
                heading,
            )
        return (
            self.x_m + (math.cos(self.heading_rad) - math.cos(heading)) / self.bend_per_m,
            self.y_m + (math.sin(heading) - math.sin(self.heading_rad)) / self.bend_per_m,
            heading,
        )


@dataclass(slots=True, frozen=True)
class _Phase:
    """A spell of constant acceleration."""

    start_s: float
    way_m: float
    speed_mps: float
    gain_mps2: float


class Drive:
    """One tractor's way for ever: the field is worked in a closed loop, again and again.

    seed: chooses the length of the passes, their bearing and their speeds. parked_s: how long the tractor stands
    before each round, so also before the first movement.
    """

    def __init__(self, seed: int, *, parked_s: float = 12.0) -> None:
        dice = Random(f"drive {seed}")
        self._bearing_rad = math.radians(dice.uniform(0, 360))
        self._pieces: list[_Piece] = []
        self._phases: list[_Phase] = []
        self._way_m = self._time_s = 0.0
        self._end = (0.0, 0.0, 0.0)
        self._lay_out(dice, parked_s)
        self._piece_starts = [piece.start_m for piece in self._pieces]
        self._phase_starts = [phase.start_s for phase in self._phases]

        latitude_rad = math.radians(ORIGIN_DEG[0])
        e2 = FLATTENING * (2 - FLATTENING)
        w2 = 1 - e2 * math.sin(latitude_rad) ** 2
        self._north_m = SEMI_MAJOR_M * (1 - e2) / w2**1.5 + ALTITUDE_M
        self._east_m = (SEMI_MAJOR_M / math.sqrt(w2) + ALTITUDE_M) * math.cos(latitude_rad)

    @property
    def round_s(self) -> float:
        """How long one round of the field takes."""
        return self._time_s

    def at(self, t_s: float) -> State:
        """Where the tractor is at a time, in seconds from the start; any real number."""
        time_s = t_s % self._time_s
        phase = self._phases[bisect_right(self._phase_starts, time_s) - 1]
        since_s = time_s - phase.start_s
        way_m = phase.way_m + phase.speed_mps * since_s + phase.gain_mps2 * since_s**2 / 2
        piece = self._pieces[max(0, bisect_right(self._piece_starts, way_m) - 1)]
        x_m, y_m, heading_rad = piece.at(way_m)
        sine, cosine = math.sin(self._bearing_rad), math.cos(self._bearing_rad)
        east_m, north_m = x_m * cosine + y_m * sine, y_m * cosine - x_m * sine
        return State(
            latitude_deg=ORIGIN_DEG[0] + math.degrees(north_m / self._north_m),
            longitude_deg=ORIGIN_DEG[1] + math.degrees(east_m / self._east_m),
            altitude_m=ALTITUDE_M + 0.012 * y_m + 0.5 * math.sin(x_m / 40),
            speed_mps=max(0.0, phase.speed_mps + phase.gain_mps2 * since_s),
            course_deg=math.degrees(heading_rad + self._bearing_rad) % 360,
        )

    def _lay_out(self, dice: Random, parked_s: float) -> None:
        radius_m = WIDTH_M / 2
        length_m = dice.uniform(260, 420)
        half_turn_m, quarter_turn_m = math.pi * radius_m, math.pi * radius_m / 2
        stop_in = dice.randrange(2, PASSES - 1)
        self._stand(parked_s)
        for number in range(PASSES):
            entry_mps = 0.0 if number == 0 else TURN_MPS
            if number == stop_in:
                self._leg(length_m / 2, 0, entry_mps, dice.uniform(*PASS_MPS), 0)
                self._stand(STOP_S)
                self._leg(length_m / 2, 0, 0, dice.uniform(*PASS_MPS), TURN_MPS)
            else:
                self._leg(length_m, 0, entry_mps, dice.uniform(*PASS_MPS), TURN_MPS)
            if number < PASSES - 1:
                bend = 1 / radius_m if number % 2 == 0 else -1 / radius_m
                self._leg(half_turn_m, bend, TURN_MPS, TURN_MPS, TURN_MPS)
        # Back along the headland to where it began: right, across, right, stop.
        self._leg(quarter_turn_m, 1 / radius_m, TURN_MPS, TURN_MPS, TURN_MPS)
        across_m = (PASSES - 1) * WIDTH_M - 2 * radius_m
        self._leg(across_m, 0, TURN_MPS, dice.uniform(*PASS_MPS), TURN_MPS)
        self._leg(quarter_turn_m, 1 / radius_m, TURN_MPS, TURN_MPS, 0)

    def _leg(self, length_m: float, bend_per_m: float, from_mps: float, cruise_mps: float, to_mps: float) -> None:
        """One piece of the path: up to cruising speed, on, and to the speed at which it is left."""
        x_m, y_m, heading_rad = self._end
        piece = _Piece(self._way_m, x_m, y_m, heading_rad, bend_per_m)
        self._pieces.append(piece)
        end_m = self._way_m + length_m
        gain = ACCELERATION_MPS2
        up_m = (cruise_mps**2 - from_mps**2) / (2 * gain)
        down_m = (cruise_mps**2 - to_mps**2) / (2 * gain)
        self._phase((cruise_mps - from_mps) / gain, self._way_m, from_mps, gain)
        self._phase((length_m - up_m - down_m) / cruise_mps, self._way_m + up_m, cruise_mps, 0.0)
        self._phase((cruise_mps - to_mps) / gain, end_m - down_m, cruise_mps, -gain)
        self._way_m = end_m
        self._end = piece.at(end_m)

    def _stand(self, duration_s: float) -> None:
        self._phase(duration_s, self._way_m, 0.0, 0.0)

    def _phase(self, duration_s: float, way_m: float, speed_mps: float, gain_mps2: float) -> None:
        if duration_s > 0:
            self._phases.append(_Phase(self._time_s, way_m, speed_mps, gain_mps2))
            self._time_s += duration_s
