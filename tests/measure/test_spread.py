"""The spread of a quantity, against the exact order statistic of all its values."""

from __future__ import annotations

import math
import statistics
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.measure.spread import Spread

FEWER = settings(max_examples=max(60, settings().max_examples // 10))
"""Of the long draws: a tenth of the examples that the profile asks for, which is a thousand in CI."""

LEAST = 1e-6  # below it, by the docstring, values are not told apart


def spread_of(values: list[float]) -> Spread:
    spread = Spread()
    for value in values:
        spread.add(value)
    return spread


def near(measured: float | None, exact: float) -> bool:
    """Within the 2 % that the docstring promises, or within the least value that it tells apart."""
    return measured is not None and abs(measured - exact) <= 0.02 * exact * (1 + 1e-9) + 1.03 * LEAST


@FEWER
@given(st.lists(st.floats(0, 1e5), min_size=1, max_size=60), st.integers(0, 100))
def test_quantile_is_within_2_percent_of_the_order_statistic(values: list[float], percent: int) -> None:
    rank = max(1, -(-percent * len(values) // 100))  # nearest rank, in whole numbers
    assert near(spread_of(values).quantile(percent / 100), sorted(values)[rank - 1])


@FEWER
@given(st.lists(st.floats(LEAST, 1e5), min_size=1, max_size=60))
def test_median_and_rms(values: list[float]) -> None:
    spread = spread_of(values)
    assert near(spread.quantile(0.5), statistics.median_low(values))
    assert spread.rms() == pytest.approx(math.sqrt(math.fsum(v * v for v in values) / len(values)), rel=1e-9)


@pytest.mark.parametrize("draw", ["expovariate", "lognormvariate", "uniform"])
def test_quantiles_of_ten_thousand(draw: str) -> None:
    dice = Random(draw)
    arguments = {"expovariate": (5.0,), "lognormvariate": (-3.0, 2.0), "uniform": (0.1, 0.3)}[draw]
    values = [getattr(dice, draw)(*arguments) for _ in range(10_000)]
    spread, exact = spread_of(values), sorted(values)
    for percent in (1, 5, 25, 50, 75, 95, 99, 100):
        assert near(spread.quantile(percent / 100), exact[percent * 100 - 1]), percent


@pytest.mark.parametrize("value", [0.0, 1e-7, 0.2, 1.0, 1 / 3, 1250.0])
def test_a_constant_is_known_exactly(value: float) -> None:
    spread = spread_of([value] * 5000)
    for share in (0.0, 0.5, 0.95, 1.0):
        assert spread.quantile(share) == pytest.approx(value, rel=1e-12, abs=0)
    assert spread.rms() == pytest.approx(value, rel=1e-12, abs=0)


def test_a_whole_rank_is_not_rounded_up() -> None:
    """7 % of 100 is the 7th, though 0.07 * 100 is a little over 7 in binary; far apart, so that no bin hides it."""
    spread = spread_of([float(2**n) for n in range(-10, 10)] * 5)
    for rank in range(1, 21):
        assert spread.quantile(rank * 5 / 100) == pytest.approx(2.0 ** (rank - 11))
    hundred = spread_of([1.03**n for n in range(100)])
    for rank in range(1, 101):
        assert near(hundred.quantile(rank / 100), 1.03 ** (rank - 1)), rank


def test_memory_is_bounded_whatever_comes() -> None:
    dice = Random(1)
    spread = spread_of([10 ** dice.uniform(-12, 15) for _ in range(30_000)])
    assert len(spread._bins) <= 1401
    assert spread.count == 30_000


def test_nothing_is_known_of_nothing() -> None:
    assert Spread().quantile(0.5) is None
    assert Spread().rms() is None
