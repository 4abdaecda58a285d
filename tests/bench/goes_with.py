"""How often what goes with the faults is found, and how often something is found that is not so.

    python tests/bench/goes_with.py [days per effect] [days without effect] [faults] [effect ...]

Found: the circumstance that makes the faults is told, be it first or not. Then days in which the faults go with
nothing: whatever is told of them is false. And days without effect whose faults come in one spell of hours, of which
only the time itself may be told. Days have eight hours, without effect four.
"""

from __future__ import annotations

import os
import sys
import time
from collections import Counter
from collections.abc import Sequence
from multiprocessing import Pool
from typing import TYPE_CHECKING, Any

from appliance.judge.goes_with import goes_with

if TYPE_CHECKING:
    from tests.bench import goes_with_days as days
else:  # as a script it finds its neighbours only
    import goes_with_days as days

Told = list[dict[str, Any]]
NULL_HOURS = 4.0
HEAD = f"{'effect':14}{'days':>6}{'found':>7}{'first':>7}{'alone':>7}  also told"


def run_effect(asked: tuple[str, int, int]) -> Told:
    """What is told of a day with an effect: name, seed, and how many separate faults it has."""
    name, seed, faults = asked
    return goes_with(*days.with_effect(name, seed, faults))


def run_without(seed: int) -> Told:
    """What is told of a day in which the faults go with nothing."""
    seconds = days.day(1_000_000 + seed, NULL_HOURS)
    return goes_with(seconds, days.without_effect(seconds, seed))


def run_spell(seed: int) -> Told:
    """What is told of a day whose faults come in one spell, but for the time."""
    seconds = days.day(2_000_000 + seed, NULL_HOURS)
    told = goes_with(seconds, days.one_spell(seconds, seed))
    return [one for one in told if one["circumstance"] not in ("time-of-day", "since-start")]


def names(told: Told, effect: str) -> list[str]:
    """The circumstances told, those that are another name of the effect by its own."""
    right = days.MEANS.get(effect, effect)
    return [
        right if one["circumstance"] in {right, *days.ALSO.get(effect, ())} else one["circumstance"] for one in told
    ]


def row(effect: str, told: Sequence[Told]) -> str:
    """One row of the table."""
    right = days.MEANS.get(effect, effect)
    all_ = [names(one, effect) for one in told]
    found, first = sum(right in one for one in all_), sum(one[:1] == [right] for one in all_)
    others = Counter(name for one in all_ for name in one if name != right)
    also = ", ".join(f"{name} {number}" for name, number in others.most_common(4))
    return f"{effect:14}{len(all_):>6}{found:>7}{first:>7}{sum(set(one) == {right} for one in all_):>7}  {also}"


def false_row(words: str, told: Sequence[Told]) -> str:
    """How many days had anything told of them, and what."""
    false = [one for one in told if one]
    what = Counter(finding["circumstance"] for one in false for finding in one)
    kinds = ", ".join(f"{name} {number}" for name, number in what.most_common())
    return f"{len(told)} days {words}: {len(false)} with a false finding, {len(false) / max(1, len(told)):.1%}  {kinds}"


def main(per_effect: int, without: int, faults: int, effects: Sequence[str]) -> int:
    began = time.perf_counter()
    with Pool(os.cpu_count()) as pool:
        print(f"{faults} separate faults a day\n{HEAD}")
        found = 0
        coming = pool.imap(run_effect, [(name, seed, faults) for name in effects for seed in range(per_effect)])
        for name in effects:
            told = [next(coming) for _ in range(per_effect)]
            print(row(name, told), flush=True)
            found += sum(days.MEANS.get(name, name) in names(one, name) for one in told)
        share = found / max(1, per_effect * len(effects))
        print(f"found {found} of {per_effect * len(effects)}, {share:.1%}", flush=True)
        nothing = list(pool.imap_unordered(run_without, range(without)))
        print(false_row("without effect", nothing), flush=True)
        print(false_row("with one spell", list(pool.imap_unordered(run_spell, range(without // 5)))))
        good = share >= 0.9 and sum(map(bool, nothing)) <= 0.05 * without
    print(f"in {time.perf_counter() - began:.0f} s")
    return 0 if good else 1


if __name__ == "__main__":
    given = sys.argv[1:]
    numbers = [int(one) for one in given[:3]] + [20, 500, 12][len(given[:3]) :]
    sys.exit(main(numbers[0], numbers[1], numbers[2], given[3:] or days.EFFECTS))
