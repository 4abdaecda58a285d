"""The bench of what goes with the faults, over all its days."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import pytest


@pytest.fixture
def bench(program: Callable[[str], ModuleType]) -> ModuleType:
    return program("goes_with")


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_at_most_one_day_in_twenty_without_effect_has_a_false_finding(bench: ModuleType) -> None:
    """The first thirty of them (`goes_with.py 0 500` runs all). At one in twenty, more than five come 1 time in 300."""
    assert sum(bool(bench.run_without(seed)) for seed in range(30)) <= 5


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_nine_in_ten_strong_effects_are_found_from_twelve_faults(bench: ModuleType) -> None:
    cases = [(name, seed) for name in bench.days.EFFECTS for seed in range(1)]
    found = [
        bench.days.MEANS.get(name, name) in bench.names(bench.run_effect((name, seed, 12)), name)
        for name, seed in cases
    ]
    assert sum(found) >= 0.9 * len(cases), [case for case, there in zip(cases, found, strict=True) if not there]
