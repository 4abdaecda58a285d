"""What goes with the faults, against scipy: exact tests, and p-values that are even where there is no effect."""

from __future__ import annotations

import importlib.util
import os
import sys
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from random import Random
from types import ModuleType

import pytest
from scipy import stats

from appliance.judge.circumstances import Seconds
from appliance.judge.exact import binomial_differs, fisher, rates_differ, ratio_bounds, share_bounds
from appliance.judge.goes_with import Exposure
from appliance.judge.period import find_period
from appliance.judge.permutation import holm

BENCH = Path(__file__).parent.parent / "bench"
UNEVEN = 0.001  # p of Kolmogorov and Smirnov below which p-values are not even
MOVES = 199


@pytest.fixture
def days(monkeypatch: pytest.MonkeyPatch) -> Iterator[ModuleType]:
    spec = importlib.util.spec_from_file_location("goes_with_days", BENCH / "goes_with_days.py")
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules["goes_with_days"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    yield module
    del sys.modules["goes_with_days"]


@pytest.mark.parametrize(
    "counts", [*product((0, 1, 5), (3, 40), (0, 2, 9), (1, 30)), (8, 2, 1, 5), (100, 900, 60, 940)]
)
def test_fishers_test_is_that_of_scipy(counts: tuple[int, int, int, int]) -> None:
    bad_1, good_1, bad_2, good_2 = counts
    theirs = stats.fisher_exact([[bad_1, good_1], [bad_2, good_2]]).pvalue
    assert fisher(*counts) == pytest.approx(float(theirs), rel=1e-7, abs=1e-12)


@pytest.mark.parametrize(
    ("hits", "of", "share"), [(0, 12, 0.3), (11, 12, 0.22), (5, 12, 0.5), (60, 100, 0.5), (3, 3, 0.9)]
)
def test_binomial_p_and_bounds_are_those_of_scipy(hits: int, of: int, share: float) -> None:
    theirs = stats.binomtest(hits, of, share)
    assert binomial_differs(hits, of, share) == pytest.approx(theirs.pvalue, rel=1e-7)
    assert share_bounds(hits, of) == pytest.approx(tuple(theirs.proportion_ci(0.95, "exact")), abs=1e-9)


def test_rates_are_compared_by_the_binomial_of_their_sum() -> None:
    assert rates_differ(12, 8.0, 1, 4.0) == pytest.approx(stats.binomtest(1, 13, 4 / 12).pvalue, rel=1e-9)
    low, high = stats.binomtest(1, 13).proportion_ci(0.95, "exact")
    bounds = tuple(share / (1 - share) * 8 / 4 for share in (low, high))
    assert ratio_bounds(12, 8.0, 1, 4.0) == pytest.approx(bounds, rel=1e-6)


def test_holm_on_a_worked_case() -> None:
    """p 0.01, 0.04, 0.03, 0.005 give 0.03, 0.06, 0.06, 0.02: worked by the definition."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])


def even(values: list[float]) -> float:
    return float(stats.kstest(values, "uniform").pvalue)


def smooth_ps(days: ModuleType, count: int, hours: float) -> dict[str, list[float]]:
    """The p of several questions over so many days without effect: bursts scattered, and all moved as one."""
    told: dict[str, list[float]] = {}
    for seed in range(count):
        seconds = days.day(5_000_000 + seed, hours)
        faults = days.without_effect(seconds, seed)
        exposure, dice = Exposure(Seconds(seconds)), Random(seed)
        for question in exposure.questions:
            if question.circumstance not in ("speed", "course", "satellites", "load"):
                continue
            answer = exposure.ask(days.KIND, faults, question, MOVES, seed, enough=0)
            if answer is not None:
                name = f"{question.circumstance} {seed % len(days.FORMS)}"
                told.setdefault(name, []).append(answer.chance.smooth(dice))
                told.setdefault(question.circumstance, []).append(answer.chance.smooth(dice))
    return told


def test_p_is_even_over_some_days_without_effect(days: ModuleType) -> None:
    for name, values in smooth_ps(days, 10, 0.4).items():
        assert even(values) > UNEVEN, name


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_p_is_even_over_many_days_without_effect(days: ModuleType) -> None:
    """60 days; LINELAMP_DAYS=2000 asks for as many, which takes some minutes."""
    told = smooth_ps(days, int(os.environ.get("LINELAMP_DAYS", "60")), 1.0)
    assert len(told) >= 8
    for name, values in told.items():
        assert even(values) > UNEVEN, (name, len(values))


@pytest.mark.slow
def test_p_of_a_period_is_even_where_there_is_none() -> None:
    values = []
    for seed in range(400):
        dice = Random(f"no period {seed}")
        starts = sorted(dice.uniform(0, 20_000) for _ in range(14))
        found = find_period(starts, dice, 99, enough=0)
        assert found is not None
        values.append(found.chance.smooth(dice))
    assert even(values) > UNEVEN
