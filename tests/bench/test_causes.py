"""The bench of causes: what it asks for can be asked, and over a slice of its cases it keeps to its aim."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import pytest

from appliance.judge.causes_table import table

DRIVES = (
    "message-off", "too fast", "talker refused", "RTK refused", "quality", "trees", "frozen", "speed-scaled",
    "clock-jump", "late", "cut", "line over 100 %", "noise in spells", "silence", "power dips", "port lost", "healthy",
)  # fmt: skip
WIRES = ("baud-wrong", "polarity-inverted", "two-talkers", "line-held-low", "silent", "pins-crossed")
SEED = 50


@pytest.fixture
def bench(program: Callable[[str], ModuleType]) -> ModuleType:
    return program("causes")


def test_the_cases_ask_for_causes_that_there_are_and_for_all_but_the_unseen(bench: ModuleType) -> None:
    named = {cause for plan in bench.cases.DRIVES.values() for cause in plan.right}
    named |= {cause for right in bench.cases.WIRES.values() for cause in right}
    known = {one.id for one in table()}
    assert named <= known
    assert known - named == {"settings"}  # of the box itself: no feed shows them


def test_a_case_is_the_same_each_time_and_its_sheet_is_right(bench: ModuleType) -> None:
    for name in bench.cases.DRIVES:
        case = bench.cases.drive(name, SEED)
        assert case == bench.cases.drive(name, SEED)
        assert case.sheet().baud == case.baud
        assert 0 < case.asked_s < bench.cases.SECONDS


def test_within_three_and_first_are_counted_as_they_stand(bench: ModuleType) -> None:
    named = [{"id": "noise"}, {"id": "contact"}]
    outcome = bench.Outcome("", 0, ("contact",), named, [])
    assert (outcome.first_right(False), outcome.within_three(False)) == (False, True)
    assert (outcome.first(True), outcome.within_three(True)) == ("nothing", False)
    assert bench.shares([outcome, bench.Outcome("", 0, ("noise",), named, [])], False) == (0.5, 1.0)
    assert not bench.good([outcome])


@pytest.mark.slow
@pytest.mark.timeout(1800)  # a few minutes, but more where each row of the code is counted
def test_the_slice_names_the_right_cause(bench: ModuleType) -> None:
    outcomes = [bench.run(("drive", name, SEED)) for name in DRIVES] + [
        bench.run(("wire", name, SEED)) for name in WIRES
    ]
    for live in (False, True):
        first, _ = bench.shares(outcomes, live)
        missed = [(one.name, one.found) for one in outcomes if not one.within_three(live)]
        assert not missed
        assert first >= bench.FIRST_LEAST, [(one.name, one.first(live)) for one in outcomes]


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_noise_leaves_room_for_a_bad_ground(bench: ModuleType) -> None:
    outcome = bench.run(("wire", "noise", SEED))
    assert "ground-loading" in [one["id"] for one in outcome.recording]
