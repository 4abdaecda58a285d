"""The bench of truth, over a slice of its drives: one of each fault, and one healthy hour."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

SEEDS = (3,)


@pytest.fixture
def bench(program: Callable[[str], ModuleType]) -> ModuleType:
    return program("truth")


def test_a_run_is_gone_on_with_from_its_file(bench: ModuleType, tmp_path: Path) -> None:
    file = tmp_path / "results"
    outcome = bench.Outcome(bench.case_of("late", 3), [(400.0, "late", False, "Late.")], 1.5)
    old = bench.as_line(("late", 3), bench.Outcome(outcome.case, []), "other")
    drawn_otherwise = bench.as_line(("late", 4), outcome, bench.code())
    file.write_text("\n".join([old, bench.as_line(("late", 3), outcome, bench.code()), drawn_otherwise]))
    assert bench.kept(file, ["late"]) == ({("late", 3): outcome}, 0)
    assert bench.kept(file, ["jump"]) == ({}, 0)
    file.write_text(old)
    assert bench.kept(file, ["late"])[1] == 1
    assert bench.kept(tmp_path / "none", ["late"]) == ({}, 0)


def test_broken_off_anywhere_every_fault_has_had_its_share(bench: ModuleType) -> None:
    planned = list(bench.plan(4, 3.0, ["late", "jump"]))
    assert len(planned) == len(set(planned)) == 4 * 2 + 6
    for fault in ("late", "jump", ""):
        assert sum(name == fault for name, _ in planned[:7]) >= 2
    assert list(bench.plan(0, 0.5, ["late"])) == [("", 0)]


@pytest.mark.parametrize(
    ("factor", "turned_deg", "fix", "known_s"),
    [
        (1.0, 0.0, (4, 0.0), None),
        (1.05, 0.0, (4, 0.0), None),  # 8 % may be off in any case
        (1.852, 0.0, (4, 0.0), 0.2),  # 2.56 m/s too fast: 0.51 m in 0.2 s, and 0.2 m allowed
        (1.852, 0.0, (1, 0.185), 1.0),  # 2.56 m in 1 s, and 2.25 m allowed
        (1.0, 60.0, (4, 0.0), 0.2),
        (1.0, 60.0, (1, 0.185), 0.6),  # 1.8 m in 0.6 s, and 1.71 m allowed
    ],
)
def test_the_observer_knows_once_the_ways_are_further_apart_than_noise(
    bench: ModuleType, factor: float, turned_deg: float, fix: tuple[int, float], known_s: float | None
) -> None:
    """At 3 m/s due north at 5 Hz; worked out by hand from the room that it leaves. fix: quality and grain in m."""
    observer, (quality, grain_m) = bench.cases.observer, fix
    steps = [observer.Step(n / 5, 3.0, 0.0, 3.0 * factor, turned_deg, quality, -1e9) for n in range(50)]
    assert observer.known(steps, grain_m) == known_s
    assert observer.known([step._replace(speed_mps=0.5) for step in steps], grain_m) is None


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
