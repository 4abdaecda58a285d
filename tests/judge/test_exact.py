"""Exact bounds of shares, also where a month has millions of seconds. That they are right, tests/outside asks SciPy."""

from __future__ import annotations

from math import sqrt

import pytest

from appliance.judge import exact
from appliance.judge.exact import share_bounds


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many terms were added up."""
    count, each = [0], exact._log_binomial

    def counted(hits: int, of: int, share: float) -> float:
        count[0] += 1
        return each(hits, of, share)

    monkeypatch.setattr(exact, "_log_binomial", counted)
    return count


@pytest.mark.parametrize(("hits", "of"), [(40_000, 86_400), (2_000_000, 2_600_000), (2_599_000, 2_600_000)])
def test_bounds_of_a_month_add_up_no_more_than_counts(asked: list[int], hits: int, of: int) -> None:
    """Each no-go second of the month was added up a hundred times: a sheet of it took many minutes on a Pi."""
    low, high = share_bounds(hits, of)
    share = hits / of
    width = 1.96 * sqrt(share * (1 - share) / of)
    assert (low, high) == pytest.approx((share - width, share + width), abs=0.02 * width + 2 / of)
    assert asked[0] < 150 * 14 * sqrt(hits)


@pytest.mark.parametrize(("hits", "of"), [(0, 7), (1, 7), (7, 7), (40, 900), (880, 900), (3, 20_000)])
def test_what_is_left_out_is_nothing(monkeypatch: pytest.MonkeyPatch, hits: int, of: int) -> None:
    bounds = share_bounds(hits, of)
    monkeypatch.setattr(exact, "_FAR", 1e9)  # all is added up
    assert bounds == share_bounds(hits, of)
