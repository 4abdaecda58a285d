"""How far a receiver's position lies from the truth: a slow wander, since its errors drift and do not jump.

The wander is a sum of a few slow waves with drawn periods and phases: a plain function of time with a known RMS. So
the same instant always gets the same error, however the time before it was asked for.
"""

from __future__ import annotations

import math
from random import Random

# Horizontal error, metres RMS, by the quality number of GGA: the usual figures of the receiver class
# (1 autonomous 1.8; 2 differential 0.45 to 0.6; 4 RTK fixed 0.01 with 1 ppm; 5 RTK float 0.1 to 1). The others are
# ours, in the same order of size.
ERROR_M = {0: 5.0, 1: 1.8, 2: 0.5, 3: 0.5, 4: 0.014, 5: 0.4, 6: 3.0, 7: 1.8, 8: 0.014, 9: 0.5}

WAVES = 6
PERIOD_S = (40.0, 900.0)


class Wander:
    """A drifting error of horizontal RMS 1 (vertical 1.5), to be scaled by the size wanted."""

    def __init__(self, seed: int | str) -> None:
        dice = Random(f"wander {seed}")
        self._axes = [
            [(math.tau / dice.uniform(*PERIOD_S), dice.uniform(0, math.tau)) for _ in range(WAVES)] for _ in range(3)
        ]

    def at(self, t_s: float) -> tuple[float, float, float]:
        """North, east and up at a time in seconds."""
        north, east, up = (
            sum(math.sin(turn * t_s + phase) for turn, phase in waves) * math.sqrt(2 / WAVES) for waves in self._axes
        )
        return north * math.sqrt(0.5), east * math.sqrt(0.5), up * 1.5
