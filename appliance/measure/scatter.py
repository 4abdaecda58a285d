"""How far the positions of a parked machine scatter about their middle: CEP and 2DRMS.

CEP: radius about the mean position that holds half of them. 2DRMS: twice the root of the mean square distance, which
for a circular normal distribution holds 98.2 % (1 - exp(-4)). Source: F. van Diggelen, "GNSS Accuracy: Lies, Damn
Lies, and Statistics", GPS World, January 2007 [from memory]; both follow from the Rayleigh distribution.

Beside the whole spell its last minute is followed: what begins to scatter in a long spell shows there at once.

Memory is bounded: of a long spell every second position is dropped again and again, evenly over the spell.
"""

from __future__ import annotations

import math
from collections import deque

from appliance.measure.geodesy import step_between

_KEPT_MOST = 600
LATEST = 60
"""Positions in the latest part, one a second. Ours: as long as a spell must be to be judged at all."""


class Scatter:
    """Of one parked spell. Add positions in degrees, in order."""

    def __init__(self) -> None:
        self.count = 0
        self._origin: tuple[float, float] | None = None
        self._kept: list[tuple[float, float]] = []
        self._every = 1
        self._sums = [0.0, 0.0, 0.0]
        self._latest: deque[tuple[float, float]] = deque(maxlen=LATEST)

    def add(self, latitude_deg: float, longitude_deg: float) -> None:
        """One position."""
        if self._origin is None:
            self._origin = latitude_deg, longitude_deg
        north, east = step_between(*self._origin, latitude_deg, longitude_deg)
        self._latest.append((north, east))
        self._sums[0] += north
        self._sums[1] += east
        self._sums[2] += north * north + east * east
        if self.count % self._every == 0:
            self._kept.append((north, east))
            if len(self._kept) >= _KEPT_MOST:
                del self._kept[1::2]
                self._every *= 2
        self.count += 1

    def two_drms_m(self) -> float | None:
        """Twice the root of the mean square distance from the mean, of all positions; None before the second."""
        if self.count < 2:
            return None
        north, east, square = (total / self.count for total in self._sums)
        return 2 * math.sqrt(max(0.0, square - north * north - east * east))

    def latest_m(self) -> float | None:
        """The same of the latest positions; None while there are fewer."""
        count = len(self._latest)
        if count < LATEST:
            return None
        north, east = (sum(one) / count for one in zip(*self._latest, strict=True))
        return 2 * math.sqrt(sum((n - north) ** 2 + (e - east) ** 2 for n, e in self._latest) / count)

    def cep_m(self) -> float | None:
        """Median distance from the mean, of those kept; None before the second position."""
        if self.count < 2:
            return None
        north, east = self._sums[0] / self.count, self._sums[1] / self.count
        distances = sorted(math.hypot(n - north, e - east) for n, e in self._kept)
        middle = len(distances) // 2
        return distances[middle] if len(distances) % 2 else (distances[middle - 1] + distances[middle]) / 2
