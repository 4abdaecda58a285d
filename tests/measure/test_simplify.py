"""Fewer positions: whoever goes evenly from one that stays to the next is never farther off than was asked."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from appliance.measure.simplify import Point, simplify

metres = st.floats(-500, 500, allow_nan=False)
tracks = st.lists(st.tuples(st.floats(0.1, 10), metres, metres), max_size=60).map(
    lambda steps: [(sum(step[0] for step in steps[: n + 1]), x, y) for n, (_, x, y) in enumerate(steps)]
)


def off_m(points: list[Point], stays: list[int], at: int) -> float:
    """How far a point lies from the even way between those that stay."""
    t, x, y = points[at]
    after = next(n for n, place in enumerate(stays) if place >= at)
    (t_0, x_0, y_0), (t_1, x_1, y_1) = points[stays[max(0, after - 1)]], points[stays[after]]
    share = (t - t_0) / (t_1 - t_0) if t_1 > t_0 else 0.0
    return math.hypot(x_0 + share * (x_1 - x_0) - x, y_0 + share * (y_1 - y_0) - y)


@given(tracks, st.floats(0.01, 100))
def test_no_point_is_farther_off_than_asked(points: list[Point], most_m: float) -> None:
    stays = simplify(points, most_m)
    assert stays == sorted(set(stays))
    if points:
        assert (stays[0], stays[-1]) == (0, len(points) - 1)
    for at in range(len(points)):
        assert off_m(points, stays, at) <= most_m + 1e-6


def test_an_even_way_needs_its_ends_alone() -> None:
    assert simplify([(t, 3.0 * t, -2.0 * t) for t in range(1000)], 0.01) == [0, 999]


def test_a_halt_on_a_straight_way_stays() -> None:
    """By the line alone it would be left out; by the time it is where the machine stood."""
    points = [(float(t), float(min(t, 100) + max(0, t - 200)), 0.0) for t in range(301)]
    assert simplify(points, 0.5) == [0, 100, 200, 300]
