"""Faults that come with a period: from a pump, a flashing lamp, a clutch, a radio that sends every so often.

The phase may slip between bursts, so it is the intervals from one fault to the next that are asked, as in Rayleigh's
test of directions (Mardia and Jupp, Directional Statistics, 2000): where they are multiples of one period, the mean
of cos(2 pi interval / period) is near 1. Every interval and its half are tried as the period, and the trying is paid
for: the same is done with the intervals each stretched by chance, which leaves bursts and lulls as they are, and no
period.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import cos, exp, log, pi, sqrt
from random import Random

from appliance.judge.permutation import ENOUGH, Chance, by_moves

INTERVALS_LEAST = 8
_INTERVALS_MOST = 40
"""The first so many intervals: more cost much and tell little."""
_SAME_S = 1.5
"""Faults as near as this are one. Ours."""
_PERIOD_LEAST_S = 3.0
"""A shorter period cannot be told from the looks, five a second, and from what a fault takes to be told."""
_MULTIPLE_MOST = 8.5
"""An interval of more periods than this tells nothing of one that is known no better. Ours."""
_STRETCH = log(1.6)
_FITS = 0.8
"""Cosine above which an interval fits: within a tenth of a period."""


@dataclass(slots=True)
class Period:
    """The period found best, how many intervals of all fit it, and the chance of it."""

    period_s: float
    fitting: int
    intervals: int
    chance: Chance


def find_period(starts_s: Sequence[float], dice: Random, moves: int, enough: int = ENOUGH) -> Period | None:
    """The best period of faults that started at these times, in order; None where they are too few to tell."""
    intervals_s = intervals(starts_s)
    if len(intervals_s) < INTERVALS_LEAST:
        return None
    seen, period_s = _strongest(intervals_s)

    def move() -> float:
        return _strongest([one * exp(dice.uniform(-_STRETCH, _STRETCH)) for one in intervals_s])[0]

    chance = by_moves(seen, move, moves, enough)
    period_s = _refined(intervals_s, period_s)
    fitting = sum(one > period_s / 2 and cos(2 * pi * one / period_s) >= _FITS for one in intervals_s)
    return Period(period_s, fitting, len(intervals_s), chance)


def intervals(starts_s: Sequence[float]) -> list[float]:
    """From one fault to the next, in s; faults that come as one make none."""
    apart = [later - sooner for sooner, later in pairwise(starts_s)]
    return [one for one in apart if one > _SAME_S][:_INTERVALS_MOST]


def _strongest(intervals_s: Sequence[float]) -> tuple[float, float]:
    """The greatest sum of cosines, for how many intervals speak, and of which period."""
    best, which = 0.0, intervals_s[0]
    for one in intervals_s:
        for period_s in (one, one / 2):
            if period_s < _PERIOD_LEAST_S:
                continue
            strength = _strength(intervals_s, period_s)
            if strength > best:
                best, which = strength, period_s
    return best, which


def _strength(intervals_s: Sequence[float], period_s: float) -> float:
    """Sum of cosines over the root of all intervals; one shorter than half a period speaks against it."""
    turn, shortest, longest = 2 * pi / period_s, period_s / 2, period_s * _MULTIPLE_MOST
    total = 0.0
    for one in intervals_s:
        if one < shortest:
            total -= 1
        elif one <= longest:
            total += cos(turn * one)
    return total / sqrt(len(intervals_s))


def _refined(intervals_s: Sequence[float], period_s: float) -> float:
    """The period from all the intervals that fit it, by their sum over their multiples."""
    gone_s, turns = 0.0, 0
    for one in intervals_s:
        multiple = round(one / period_s)
        if 1 <= multiple <= _MULTIPLE_MOST and cos(2 * pi * one / period_s) >= _FITS:
            gone_s, turns = gone_s + one, turns + multiple
    return gone_s / turns if turns else period_s
