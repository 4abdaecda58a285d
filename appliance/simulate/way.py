"""A way: a path of straights and arcs, and the motion along it in phases of constant acceleration."""

from __future__ import annotations

import math
from dataclasses import dataclass

ACCELERATION_MPS2 = 0.5  # a tractor's


@dataclass(slots=True, frozen=True)
class Piece:
    """A straight (bend 0) or an arc (bend = 1/radius, positive to the right), from where the last one ended.

    heading_rad: the way of the motion at its start; backing: the tractor faces the other way.
    """

    start_m: float
    x_m: float
    y_m: float
    heading_rad: float
    bend_per_m: float
    backing: bool = False

    def at(self, way_m: float) -> tuple[float, float, float]:
        """x, y and the way of the motion this far along the whole path."""
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
class Phase:
    """A spell of constant acceleration."""

    start_s: float
    way_m: float
    speed_mps: float
    gain_mps2: float


class Way:
    """A path and the motion along it, laid out leg by leg. It begins at 0, 0 facing along y, and must end there."""

    def __init__(self) -> None:
        self.pieces: list[Piece] = []
        self.phases: list[Phase] = []
        self.time_s = 0.0
        self._way_m = 0.0
        self._end = (0.0, 0.0, 0.0)

    def leg(
        self, length_m: float, bend_per_m: float, from_mps: float, cruise_mps: float, to_mps: float, *,
        backing: bool = False, gain_mps2: float = ACCELERATION_MPS2,
    ) -> None:  # fmt: skip
        """One piece of the path: up to cruising speed, on, and to the speed at which it is left.

        On a leg too short for its cruising speed that speed is not reached. The leg must be long enough to get from one
        of its end speeds to the other. backing: it is gone backwards.
        """
        x_m, y_m, heading_rad = self._end
        turned_rad = math.pi if backing else 0.0
        piece = Piece(self._way_m, x_m, y_m, heading_rad + turned_rad, bend_per_m, backing)
        self.pieces.append(piece)
        end_m = self._way_m + length_m
        gain = gain_mps2
        reached_mps = math.sqrt(gain * length_m + (from_mps**2 + to_mps**2) / 2)
        cruise_mps = min(max(cruise_mps, from_mps, to_mps), reached_mps)
        up_m = (cruise_mps**2 - from_mps**2) / (2 * gain)
        down_m = (cruise_mps**2 - to_mps**2) / (2 * gain)
        self._phase((cruise_mps - from_mps) / gain, self._way_m, from_mps, gain)
        self._phase((length_m - up_m - down_m) / cruise_mps, self._way_m + up_m, cruise_mps, 0.0)
        self._phase((cruise_mps - to_mps) / gain, end_m - down_m, cruise_mps, -gain)
        self._way_m = end_m
        x_m, y_m, heading_rad = piece.at(end_m)
        self._end = (x_m, y_m, heading_rad - turned_rad)

    def stand(self, duration_s: float) -> None:
        """Stand still."""
        self._phase(duration_s, self._way_m, 0.0, 0.0)

    def _phase(self, duration_s: float, way_m: float, speed_mps: float, gain_mps2: float) -> None:
        if duration_s > 1e-9:
            self.phases.append(Phase(self.time_s, way_m, speed_mps, gain_mps2))
            self.time_s += duration_s
