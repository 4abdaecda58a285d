"""How far a receiver's positions usually stray from the way that its speed tells, against what its fix promises.

A promise must hold for the worst of its class. What a receiver has shown while all agreed says more: where it strays
far less than it may, a smaller disagreement means something.
"""

from __future__ import annotations

import math

ENOUGH = 15
"""Windows that agree, each of 2 to 5 s on the move, before they tell. Our choice."""
SIGMAS = 4.0
LEAST = 0.5
"""No receiver is held to less than this share of its promise: skies change. Our choice."""
_MEMORY = 60


class Usual:
    """Of each quality, in mean squares. Feed it windows in which nothing disagrees."""

    def __init__(self) -> None:
        self._means: dict[int | None, tuple[int, float]] = {}
        self._shares: dict[int | None, float] = {}

    def add(self, quality: int | None, miss_m: float, promised_m: float) -> None:
        """By how much both ways missed each other, and what was promised for that."""
        count, mean = self._means.get(quality, (0, 0.0))
        count = min(count + 1, _MEMORY)
        mean += ((miss_m / promised_m) ** 2 - mean) / count
        self._means[quality] = count, mean
        if count >= ENOUGH:
            self._shares[quality] = min(1.0, max(LEAST, SIGMAS * math.sqrt(mean)))

    def share(self, quality: int | None) -> float:
        """The share of its promise that this receiver needs: 1 until it has shown how much."""
        return self._shares.get(quality, 1.0)
