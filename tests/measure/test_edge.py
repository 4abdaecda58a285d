"""The lower edge of delays, against linear programming and brute force, and over weeks."""

from __future__ import annotations

from random import Random
from time import process_time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.measure.edge import CORNERS_MOST, HALF_S, SLOPE_MOST, Edge

FEWER = settings(max_examples=max(60, settings().max_examples // 10))


def edge_of(points: list[tuple[float, float]]) -> Edge:
    made = Edge()
    for x, y in points:
        made.add(x, y)
    return made


def delays(seed: int, count: int, slope: float, step_s: float = 0.2) -> list[tuple[float, float]]:
    """A clock's slope under what delays its sentences: a floor, a tail, now and then a held-up host."""
    dice = Random(seed)
    return [
        (n * step_s, slope * n * step_s + 0.03 + dice.expovariate(200) + (0.05 if dice.random() < 0.05 else 0.0))
        for n in range(count)
    ]


@pytest.mark.parametrize("seed", range(12))
def test_the_edge_is_the_best_line_of_linear_programming(seed: int) -> None:
    """Moon, Skelly and Towsley's problem as they pose it, least sum of distances with no point below the line, solved
    by scipy's HiGHS."""
    optimize = pytest.importorskip("scipy.optimize", reason="needs scipy")
    points = delays(seed, 1400, Random(seed).uniform(-200e-6, 200e-6))
    count, x_sum = len(points), sum(x for x, _ in points)
    best = optimize.linprog(
        [-x_sum, -count], A_ub=[[x, 1] for x, _ in points], b_ub=[y for _, y in points], bounds=[(None, None)] * 2
    )
    made = edge_of(points)
    slope, floor = best.x
    assert made.slope == pytest.approx(slope, abs=1e-9)
    assert made.at(0.0) == pytest.approx(floor, abs=1e-7)
    assert made.at(points[-1][0]) == pytest.approx(floor + slope * points[-1][0], abs=1e-7)


@FEWER
@given(st.lists(st.tuples(st.floats(0.001, 3), st.floats(-1, 1)), min_size=1, max_size=80))
def test_no_point_lies_below_and_one_lies_on_it(steps: list[tuple[float, float]]) -> None:
    x, points = 0.0, []
    for step, y in steps:
        x += step
        points.append((x, y))
    made = edge_of(points)
    above = [y - made.at(x) for x, y in points]
    assert min(above) == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("ppm", [-200, -50, -3, 0, 3, 50, 200])
def test_the_slope_is_found_under_the_noise(ppm: int) -> None:
    made = edge_of(delays(ppm, 1500, ppm * 1e-6))
    assert made.slope is not None
    assert made.slope * 1e6 == pytest.approx(ppm, abs=2)


def test_no_slope_is_told_before_a_minute() -> None:
    assert edge_of(delays(1, 290, 1e-4)).slope is None
    assert edge_of([(0.0, 0.0)]).slope is None
    with pytest.raises(ValueError, match="needs a point"):
        Edge().at(0.0)


def test_a_slope_that_turns_is_followed() -> None:
    """A box that warms up: what lies ten minutes back is forgotten."""
    points = [(float(n), 100e-6 * min(n, 900) - 50e-6 * max(0, n - 900) + 0.02) for n in range(2000)]
    made = edge_of(points)
    assert made.slope is not None
    assert made.slope * 1e6 == pytest.approx(-50, abs=1)
    assert points[-1][1] - made.at(points[-1][0]) == pytest.approx(0, abs=0.001)


def test_what_is_steeper_than_a_clock_is_no_slope() -> None:
    """The receiver's delay falls from half a second to nothing: the edge under the newer ones stays near them."""
    points = [(n * 0.2, (0.5 if n < 600 else 0.0) + 0.03) for n in range(1200)]
    made = edge_of(points)
    assert made.slope is None or abs(made.slope) < SLOPE_MOST
    assert points[-1][1] - made.at(points[-1][0]) < 0.15


def test_after_a_long_gap_it_begins_afresh() -> None:
    made = edge_of(delays(3, 600, 0.0))
    assert made.add(5000.0, 7.0) == 0
    assert made.count == 1


def test_twice_the_same_x_counts_the_lower() -> None:
    assert edge_of([(0.0, 1.0), (0.0, 0.5), (0.0, 2.0)]).at(0.0) == 0.5


def test_memory_and_work_stay_small() -> None:
    """A bowl, whose every point is a corner, at 20 Hz."""
    made = Edge()
    begun = process_time()
    for n in range(40_000):
        x = n / 20
        above = made.add(x, 0.02 + 1e-8 * (x % HALF_S - HALF_S / 2) ** 2)
        assert above < 0.01
    assert process_time() - begun < 2
    assert len(made._whole.x) <= CORNERS_MOST
    assert len(made._newer.x) <= CORNERS_MOST
