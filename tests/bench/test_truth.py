"""The bench of truth, over a slice of its drives: one of each fault, and one healthy hour."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import pytest

SEEDS = (3,)


@pytest.fixture
def bench(program: Callable[[str], ModuleType]) -> ModuleType:
    return program("truth")


@pytest.mark.slow
def test_drives_show_their_fault_within_its_span(bench: ModuleType) -> None:
    """Of the bench itself: what it asks for can be known while the fault is there, and a seed is a drive."""
    for name, truth in bench.cases.TRUTHS.items():
        for seed in SEEDS:
            case = bench.cases.struck(name, seed)
            assert case.spell.start_s <= case.knowable_s <= case.spell.end_s < case.seconds
            assert case.kinds == set(truth.kinds)
            assert bench.cases.struck(name, seed) == case


@pytest.mark.slow
@pytest.mark.timeout(1800)  # some minutes, but more where each row of the code is counted
def test_the_slice_is_found_in_time_and_named_right(bench: ModuleType) -> None:
    outcomes = [bench.run_one((name, seed)) for name in bench.cases.TRUTHS for seed in SEEDS]
    in_time = [outcome.delay_s is not None and outcome.delay_s <= bench.cases.IN_TIME_S for outcome in outcomes]
    amiss = [str(outcome.case) for outcome, found in zip(outcomes, in_time, strict=True) if not found]
    assert len(amiss) <= 1, amiss
    wrong = [str(outcome.case) for outcome in outcomes if not outcome.named_right]
    assert len(wrong) <= 0.03 * len(outcomes), wrong
    assert not [one for one in bench.false_ones(outcomes) if not one[3]]


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_healthy_hours_are_left_alone(bench: ModuleType) -> None:
    false = bench.false_ones(bench.run_one(("", seed)) for seed in range(2))
    assert not [(str(outcome.case), says) for outcome, _, _, warns, says in false if not warns]
