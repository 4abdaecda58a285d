"""Exact tests of counts, by the standard library alone.

Rates: of two Poisson counts, given their sum, one is binomial with the share of its time (Przyborowski and Wilenski,
Biometrika 31 (1940)). Shares: Fisher's exact test. Two-sided: all outcomes no likelier than what was seen count. Bounds
of a share are those of Clopper and Pearson, Biometrika 26 (1934).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from math import exp, floor, inf, lgamma, log, sqrt

_LIKELY = 1 + 1e-7
"""Outcomes as likely as what was seen, but for rounding, count as such."""
_HALVINGS = 60
_FAR = 80.0
"""Chances below e to the minus this, 2e-35, are none: a float tells 1e-16 of one. Ours."""


def rates_differ(first: int, first_s: float, second: int, second_s: float) -> float:
    """p, two-sided, of counts that different in such times, if their rates are the same."""
    return binomial_differs(second, first + second, second_s / (first_s + second_s))


def binomial_differs(hits: int, of: int, share: float) -> float:
    """p, two-sided, of so many hits where each comes with this share."""
    return _no_likelier((_log_binomial(n, of, share) for n in range(of + 1)), _log_binomial(hits, of, share))


def fisher(bad_1: int, good_1: int, bad_2: int, good_2: int) -> float:
    """p, two-sided, of shares of bad ones that different, if they are the same."""
    bad, first, all_ = bad_1 + bad_2, bad_1 + good_1, bad_1 + good_1 + bad_2 + good_2

    def log_chance(n: int) -> float:
        return _log_choose(first, n) + _log_choose(all_ - first, bad - n) - _log_choose(all_, bad)

    least, most = max(0, bad - (all_ - first)), min(bad, first)
    return _no_likelier(map(log_chance, range(least, most + 1)), log_chance(bad_1))


def share_bounds(hits: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """Lower and upper bound of a share that was seen as hits of so many."""
    tail = (1 - confidence) / 2
    low = 0.0 if hits == 0 else _where(lambda share: 1 - _at_most(hits - 1, of, share), tail)
    high = 1.0 if hits == of else _where(lambda share: -_at_most(hits, of, share), -tail)
    return low, high


def ratio_bounds(first: int, first_s: float, second: int, second_s: float) -> tuple[float, float]:
    """Bounds at 95 % of the second rate over the first; inf where the first may be none."""

    def ratio(share: float) -> float:
        return inf if share >= 1 else share / (1 - share) * first_s / second_s

    low, high = share_bounds(second, first + second)
    return ratio(low), ratio(high)


def _where(rising: Callable[[float], float], value: float) -> float:
    """Where between 0 and 1 a rising function reaches a value."""
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < value else (low, middle)
    return (low + high) / 2


def _at_most(hits: int, of: int, share: float) -> float:
    """The chance of so many or fewer. A month has millions of seconds, so only what is no less than e^-_FAR is added
    up, by Chernoff's bounds of what lies so far under the mean, or over it."""
    mean = of * share
    if hits > mean + _FAR / 3 + sqrt(_FAR * _FAR / 9 + 2 * _FAR * mean):
        return 1.0
    least = max(0, floor(mean - sqrt(2 * _FAR * mean)))
    return sum(exp(_log_binomial(n, of, share)) for n in range(least, hits + 1))


def _no_likelier(log_chances: Iterable[float], seen: float) -> float:
    limit = exp(seen) * _LIKELY
    return min(1.0, sum(chance for one in log_chances if (chance := exp(one)) <= limit))


def _log_binomial(hits: int, of: int, share: float) -> float:
    if share in (0.0, 1.0):
        return 0.0 if hits == of * share else -inf
    return _log_choose(of, hits) + hits * log(share) + (of - hits) * log(1 - share)


def _log_choose(of: int, take: int) -> float:
    return lgamma(of + 1) - lgamma(take + 1) - lgamma(of - take + 1)
