"""What a clean run proves."""

from __future__ import annotations

import pytest

from appliance.judge.proof import bad_share_most, seconds_to_rule_out


@pytest.mark.parametrize(("clean_s", "per_cent"), [(600, 0.5), (3600, 0.083), (86_400, 0.0035)])
def test_figures_of_the_rule_of_three(clean_s: float, per_cent: float) -> None:
    """10 min 0.5 %, 1 h 0.083 %, 24 h 0.0035 %: 3/N of BMJ 1995;311:619, computed."""
    assert bad_share_most(clean_s) * 100 == pytest.approx(per_cent, rel=0.02)


def test_a_fault_once_an_hour_needs_three_hours() -> None:
    assert seconds_to_rule_out(3600) / 3600 == pytest.approx(3.0, rel=0.01)


def test_nothing_heard_proves_nothing() -> None:
    assert bad_share_most(0) == 1.0


@pytest.mark.parametrize("clean_s", [1, 2, 10, 100, 3600, 86_400])
def test_against_the_exact_binomial_bound(clean_s: int) -> None:
    """Clopper and Pearson's one-sided bound for no event in N, as scipy gives it."""
    stats = pytest.importorskip("scipy.stats")
    assert bad_share_most(clean_s) == pytest.approx(float(stats.beta.ppf(0.95, 1, clean_s)), rel=1e-9)
