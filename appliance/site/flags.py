"""Faults on a plan as flags that a finger can tell apart: those that would overlap are one, and say so.

track.js does the same at whatever scale one looks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

WIDE, TALL = 68.0, 48.0
"""What is touched, in px: WCAG 2.2 asks for 24 (2.5.8) or 44 (2.5.5); gloves for more, and two numbers for width. Our
choice."""
BETWEEN = 4.0
STEM = 10.0
"""From the place to the edge of its flag."""


@dataclass(slots=True, frozen=True)
class Flag:
    """numbers: of its faults. foot: their place, or the middle of them; at: the flag's own middle."""

    numbers: tuple[int, ...]
    foot: tuple[float, float]
    at: tuple[float, float]

    @property
    def words(self) -> str:
        """What stands on it: one number or two, or the first and the last with a dash between them; with dots where
        some between are elsewhere."""
        return words(self.numbers)


def words(numbers: Sequence[int]) -> str:
    first, last = numbers[0], numbers[-1]
    if len(numbers) < 3:
        return ", ".join(map(str, numbers))
    whole = all(other - one == 1 for one, other in pairwise(numbers))
    return f"{first}{'–' if whole else '…'}{last}"  # noqa: RUF001  # an en dash is what stands between figures


def flags(places: Sequence[tuple[int, float, float]], width: float) -> list[Flag]:
    """places: number, x and y in px of a plan of that width, y downwards. No two flags of what comes back overlap."""
    groups = [[place] for place in sorted(places)]
    while pair := _overlapping(groups, width):
        one, other = pair
        groups[one] = sorted(groups[one] + groups.pop(other))
    return [_flag(group, width) for group in groups]


def _overlapping(groups: Sequence[Sequence[tuple[int, float, float]]], width: float) -> tuple[int, int] | None:
    spots = [_flag(group, width).at for group in groups]
    for one, (x, y) in enumerate(spots):
        for other in range(one + 1, len(spots)):
            if abs(spots[other][0] - x) < WIDE + BETWEEN and abs(spots[other][1] - y) < TALL + BETWEEN:
                return one, other
    return None


def _flag(group: Sequence[tuple[int, float, float]], width: float) -> Flag:
    """Above its foot, or below where there is no room; never over the side, unless its foot is."""
    x = sum(place[1] for place in group) / len(group)
    y = sum(place[2] for place in group) / len(group)
    up = STEM + TALL / 2
    at_x = min(max(x, WIDE / 2), width - WIDE / 2) if 0 <= x <= width else x
    return Flag(tuple(place[0] for place in group), (x, y), (at_x, y + up if 0 <= y < TALL + STEM else y - up))
