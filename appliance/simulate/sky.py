"""The sky over a receiver: its satellites, how they go round, and how many of them are used at a time."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from random import Random

from .talk import Satellite

FIRST_NUMBER = {"GP": 1, "GL": 65, "GA": 1}
SYSTEM_SIZE = {"GP": 32, "GL": 24, "GA": 36}
SATELLITES_MOST = 36  # twelve of each system, as GSA has room for

LOST_MOST = 3  # of the satellites used, lost and found again all the time
HIDDEN_MOST = 6  # and behind trees
HDOP_WORSE = 0.06  # share for each satellite that is not used
TREES_S = (45.0, 400.0)  # from the end of one row of trees to the next
TREE_S = (3.0, 15.0)


@dataclass(slots=True, frozen=True)
class View:
    """What is used of the sky at an instant."""

    satellites: int
    hdop: float


class Restless:
    """Satellites used and HDOP as they are in the field: one or two come and go, and trees hide some for seconds.

    most: satellites used under an open sky; hdop: with these. Never fewer than five.
    """

    def __init__(self, seed: int, most: int, hdop: float, until_s: float = 86_400.0) -> None:
        dice = Random(f"restless {seed}")
        self._most, self._hdop = most, hdop
        self._phases = [(math.tau / dice.uniform(20, 300), dice.uniform(0, math.tau)) for _ in range(3)]
        self._trees: list[tuple[float, float, int]] = []
        at_s = dice.uniform(*TREES_S)
        while at_s < until_s:
            self._trees.append((at_s, at_s + dice.uniform(*TREE_S), dice.randint(1, HIDDEN_MOST)))
            at_s = self._trees[-1][1] + dice.uniform(*TREES_S)
        self._tree = 0

    def at(self, t_s: float) -> View:
        """The view at a time; cheap where times rise."""
        if self._tree and t_s < self._trees[self._tree - 1][1]:
            self._tree = 0
        while self._tree < len(self._trees) and t_s >= self._trees[self._tree][1]:
            self._tree += 1
        hidden = 0
        if self._tree < len(self._trees) and t_s >= self._trees[self._tree][0]:
            hidden = self._trees[self._tree][2]
        waves = sum(math.sin(turn * t_s + phase) for turn, phase in self._phases) / 3
        lost = round((waves + 1) / 2 * LOST_MOST) + hidden
        used = max(min(5, self._most), self._most - lost)
        return View(used, self._hdop * (1 + HDOP_WORSE * (self._most - used)))


def overhead(seed: int, used: int) -> list[Satellite]:
    """Satellites drawn over the sky: those used shared out among the systems, and one more of each in view."""
    dice = Random(f"sky {seed}")
    sky = []
    for place, (system, first) in enumerate(FIRST_NUMBER.items()):
        count = (used + 2 - place) // 3
        numbers = sorted(dice.sample(range(first, first + SYSTEM_SIZE[system]), count + 1))
        for rank, number in enumerate(numbers):
            low = rank == count
            elevation = dice.randrange(2, 9) if low else dice.randrange(12, 86)
            azimuth = dice.randrange(360)
            sky.append(Satellite(system, number, elevation, azimuth, 25 + elevation // 4, not low))
    return sky


def later(satellite: Satellite, t_s: float, dice: Random) -> Satellite:
    """The same satellite at a time: it goes round about a degree in four minutes, and its strength flickers."""
    return replace(
        satellite,
        azimuth_deg=int(satellite.azimuth_deg + t_s / 240) % 360,
        strength_db=satellite.strength_db + dice.randrange(-1, 2),
    )


def hide(sky: tuple[Satellite, ...], count: int) -> tuple[Satellite, ...]:
    """The sky with so many fewer satellites used; the last of each system first."""
    left = list(sky)
    for place in reversed(range(len(left))):
        if count > 0 and left[place].used:
            left[place] = replace(left[place], used=False)
            count -= 1
    return tuple(left)
