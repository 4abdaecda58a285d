"""A track with fewer positions: those are left out that the others tell well enough.

As D. H. Douglas and T. K. Peucker, "Algorithms for the reduction of the number of points required to represent a
digitized line or its caricature", Cartographica 10 (1973): the farthest from the straight way is kept, and the two
halves are looked at in the same manner. What is measured is not how far a position lies from the line, but from the
place on it at the same time (N. Meratnia and R. A. de By, EDBT 2004: time-ratio distance; both from memory). So who
was where when stays true within the bound, and a fault is drawn where it was.
"""

from __future__ import annotations

from collections.abc import Sequence

Point = tuple[float, float, float]
"""A time in s, and metres to the east and north of anywhere."""


def simplify(points: Sequence[Point], most_m: float) -> list[int]:
    """The places in points of those that stay, in order; first and last always do. points: in order of time.

    Whoever goes evenly from each that stays to the next is at every time of points within most_m of the point.
    """
    if len(points) < 3:
        return list(range(len(points)))
    stays = [0, len(points) - 1]
    parts = [(0, len(points) - 1)]
    while parts:
        first, last = parts.pop()
        off_m2, at = _farthest(points, first, last)
        if off_m2 > most_m * most_m:
            stays.append(at)
            parts += [(first, at), (at, last)]
    return sorted(stays)


def _farthest(points: Sequence[Point], first: int, last: int) -> tuple[float, int]:
    """The greatest squared distance from the even way between two points, and the place of it."""
    t_0, x_0, y_0 = points[first]
    t_1, x_1, y_1 = points[last]
    lasts = t_1 - t_0
    x_mps, y_mps = ((x_1 - x_0) / lasts, (y_1 - y_0) / lasts) if lasts > 0 else (0.0, 0.0)
    worst, place = -1.0, first
    for at in range(first + 1, last):
        t, x, y = points[at]
        x_off, y_off = x - x_0 - x_mps * (t - t_0), y - y_0 - y_mps * (t - t_0)
        off = x_off * x_off + y_off * y_off
        if off > worst:
            worst, place = off, at
    return worst, place
