"""How far a receiver's position lies from the truth: a slow wander, since its errors drift and do not jump.

The wander is a sum of a few slow waves with drawn periods and phases: a plain function of time with a known RMS. So
the same instant always gets the same error, however the time before it was asked for. Where the quality of the fix
changes, another wander takes over, as large as the new quality promises: that step is real, and no fault.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from random import Random

# Horizontal error, metres RMS, by the quality number of GGA: the usual figures of the receiver class
# (1 autonomous 1.8; 2 differential 0.45 to 0.6; 4 RTK fixed 0.01 with 1 ppm; 5 RTK float 0.1 to 1). The others are
# ours, in the same order of size.
ERROR_M = {0: 5.0, 1: 1.8, 2: 0.5, 3: 0.5, 4: 0.014, 5: 0.4, 6: 3.0, 7: 1.8, 8: 0.014, 9: 0.5}

WAVES = 6
PERIOD_S = (40.0, 900.0)


class Wander:
    """A drifting error of horizontal RMS 1 (vertical 1.5), to be scaled by the size wanted."""

    def __init__(self, seed: int | str, period_s: tuple[float, float] = PERIOD_S) -> None:
        dice = Random(f"wander {seed}")
        self._axes = [
            [(math.tau / dice.uniform(*period_s), dice.uniform(0, math.tau)) for _ in range(WAVES)] for _ in range(3)
        ]

    def at(self, t_s: float) -> tuple[float, float, float]:
        """North, east and up at a time in seconds."""
        north, east, up = (
            sum(math.sin(turn * t_s + phase) for turn, phase in waves) * math.sqrt(2 / WAVES) for waves in self._axes
        )
        return north * math.sqrt(0.5), east * math.sqrt(0.5), up * 1.5


class Errors:
    """The error of a receiver whose quality changes: one wander from each change to the next.

    changes: (from second, quality) in order. settle_s: how long the position slides from one wander to the next; 0 for
    a step.
    """

    def __init__(
        self, seed: int, quality: int, changes: Sequence[tuple[float, int]] = (), settle_s: float = 0.0
    ) -> None:
        self._from_s = [-math.inf, *(from_s for from_s, _ in changes)]
        self._qualities = [quality, *(changed for _, changed in changes)]
        self._wanders = [Wander(seed), *(Wander(f"{seed} {number}") for number in range(1, len(changes) + 1))]
        self._settle_s = settle_s

    def quality(self, t_s: float) -> int:
        """The quality of the fix at a time."""
        return self._qualities[bisect_right(self._from_s, t_s) - 1]

    def at(self, t_s: float) -> tuple[float, float, float]:
        """North, east and up in metres at a time in seconds."""
        number = bisect_right(self._from_s, t_s) - 1
        now = self._error(number, t_s)
        since_s = t_s - self._from_s[number]
        if since_s >= self._settle_s:
            return now
        share, before = since_s / self._settle_s, self._error(number - 1, t_s)
        north, east, up = (share * new + (1 - share) * old for new, old in zip(now, before, strict=True))
        return north, east, up

    def _error(self, number: int, t_s: float) -> tuple[float, float, float]:
        error_m = ERROR_M[self._qualities[number]]
        north, east, up = self._wanders[number].at(t_s)
        return north * error_m, east * error_m, up * error_m
