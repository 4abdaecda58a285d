"""Two watches compared, against scipy: each p, and that no more than one pair in twenty differs where nothing did."""

from __future__ import annotations

import math
from random import Random

import pytest
from scipy import stats

from appliance.judge.circumstances import Onset
from appliance.judge.compare import LUCK, Side, compare

STRETCH_S = 600


def side(length_s: float, starts_s: list[float], kind: str = "gap") -> Side:
    return Side(length_s, [Onset(kind, at_s, at_s + 1) for at_s in starts_s])


def apart(count: int, apart_s: float) -> list[float]:
    return [10 + n * apart_s for n in range(count)]


@pytest.mark.parametrize(
    ("before", "before_s", "after", "after_s"),
    [(12, 28_800, 1, 14_400), (20, 28_800, 0, 28_800), (3, 3600, 4, 10_800), (1, 7200, 9, 21_600), (0, 600, 2, 7200)],
)
def test_p_is_the_greater_of_scipys_two_exact_tests(before: int, before_s: float, after: int, after_s: float) -> None:
    """Rates: given their sum, the counts are binomial (Przyborowski and Wilenski, Biometrika 31, 1940; from memory)."""
    first, second = apart(before, 1200), apart(after, 1200)  # each in a stretch of its own
    (found,) = compare(side(before_s, first), side(after_s, second))["changes"]
    rates = stats.binomtest(before, before + after, before_s / (before_s + after_s)).pvalue
    of_before, of_after = math.ceil(before_s / STRETCH_S), math.ceil(after_s / STRETCH_S)
    fisher = stats.fisher_exact([[before, of_before - before], [after, of_after - after]]).pvalue
    assert found["p"] == pytest.approx(max(float(rates), float(fisher)), rel=1e-7)


def test_several_kinds_are_corrected_by_holm() -> None:
    """S. Holm, Scandinavian Journal of Statistics 6 (1979): the least of k is multiplied by k, the next by k - 1."""
    kinds = {"gap": (20, 0), "noise": (14, 1), "silent": (3, 2)}
    both = [
        Side(28_800, [Onset(kind, at_s, at_s + 1) for kind, n in kinds.items() for at_s in apart(n[which], 1200)])
        for which in (0, 1)
    ]
    alone = {
        kind: compare(side(28_800, apart(n[0], 1200)), side(28_800, apart(n[1], 1200)))["changes"][0]["p"]
        for kind, n in kinds.items()
    }
    together = {one["fault"]: one["p"] for one in compare(*both)["changes"]}
    assert together["gap"] == pytest.approx(3 * alone["gap"])
    assert together["noise"] == pytest.approx(2 * alone["noise"])
    assert together["silent"] == pytest.approx(min(1.0, alone["silent"]))


def test_where_nothing_changed_few_pairs_differ() -> None:
    """Faults at random and by the same rate in both of 600 seeded pairs; exact tests err on the safe side."""
    random = Random(2026)
    differ = 0
    for _ in range(600):
        rate_hz = random.uniform(1, 20) / 14_400
        pair = []
        for length_s in (14_400.0, random.uniform(3600, 14_400)):
            starts, at_s = [], 0.0
            while (at_s := at_s + random.expovariate(rate_hz)) < length_s:
                starts.append(at_s)
            pair.append(side(length_s, starts))
        differ += any(one["p"] <= LUCK for one in compare(*pair)["changes"])
    assert differ <= stats.binom.ppf(0.999, 600, LUCK)
