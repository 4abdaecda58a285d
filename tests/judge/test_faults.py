"""Faults over sequences of looks: they open, close, never overlap, and keep their worst figure."""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.judge.check import Check, State
from appliance.judge.faults import Fault, Faults

STEP = 200
STATES: tuple[State, ...] = ("pass", "fail", "fail", "unknown")
IDS = ("gap", "rate-low")


@st.composite
def outcomes(draw: st.DrawFn) -> list[list[Check]]:
    """Looks at a few checks; what fails may have begun earlier, and may be over by now or even have begun anew."""
    looks = []
    for number in range(1, draw(st.integers(1, 12))):
        now = number * STEP
        found = []
        for id_ in IDS:
            state = draw(st.sampled_from(STATES))
            at = now - draw(st.integers(0, 5 * STEP))
            over = draw(st.none() | st.integers(at, now)) if state == "fail" else None
            measured = draw(st.none() | st.floats(0, 100))
            found.append(Check(id_, "GGA", state, measured, 1.0, at, over, "x"))
        looks.append(found)
    return looks


@given(looks=outcomes())
def test_whatever_is_found(looks: list[list[Check]]) -> None:
    faults = Faults("from-receiver")
    opened: list[Fault] = []
    closed: list[Fault] = []
    for number, found in enumerate(looks, 1):
        before = {fault.key for fault in faults.open}
        new, done = faults.take(found, number * STEP)
        opened += new
        closed += done
        failing = {check.id for check in found if check.state == "fail"}
        assert {fault.kind for fault in faults.open} == failing
        assert {fault.key for fault in faults.open} == (before | {f.key for f in new}) - {f.key for f in done}
        assert [fault.start_ns for fault in faults.open] == sorted(fault.start_ns for fault in faults.open)
    assert Counter(map(id, opened)) == Counter(map(id, [*closed, *faults.open]))  # opens and closes balance
    assert len({fault.key for fault in opened}) == len(opened)
    assert faults.closed_count == len(closed)
    by_kind = defaultdict(list)
    for fault in opened:
        by_kind[fault.kind].append(fault)
    for same in by_kind.values():
        for earlier, later in itertools.pairwise(same):
            assert earlier.end_ns is not None
            assert earlier.start_ns <= earlier.end_ns <= later.start_ns


def fail(at: int, over: int | None = None, measured: float | None = 1.0, id_: str = "gap") -> list[Check]:
    return [Check(id_, "GGA", "fail", measured, 0.6, at, over, note="was")]


def passing(at: int, id_: str = "gap") -> list[Check]:
    return [Check(id_, "GGA", "pass", 0.1, 0.6, at)]


def test_a_fault_runs_from_the_failure_to_the_instant_of_passing() -> None:
    faults = Faults("from-receiver")
    (opened,), _ = faults.take(fail(150), 200)
    assert (opened.start_ns, opened.end_ns, opened.line, opened.kind, opened.message) == (
        150, None, "from-receiver", "gap", "GGA",
    )  # fmt: skip
    faults.take(fail(150), 400)
    _, (closed,) = faults.take(passing(430), 600)
    assert closed is opened
    assert closed.end_ns == 430
    assert faults.open == []


def test_what_was_over_at_its_look_ends_there() -> None:
    faults = Faults("from-receiver")
    faults.take(fail(150, over=180), 200)
    _, (closed,) = faults.take(passing(0), 400)
    assert (closed.start_ns, closed.end_ns) == (150, 180)


def test_one_that_ended_and_one_that_began_between_two_looks_are_two() -> None:
    faults = Faults("from-receiver")
    faults.take(fail(100, over=120), 200)
    (second,), (first,) = faults.take(fail(250), 400)
    assert (first.start_ns, first.end_ns) == (100, 120)
    assert (second.start_ns, second.end_ns) == (250, None)


def test_one_that_went_on_after_all_is_one() -> None:
    faults = Faults("from-receiver")
    faults.take(fail(100, over=180), 200)
    assert faults.take(fail(100), 400) == ([], [])
    _, (closed,) = faults.take(passing(500), 600)
    assert (closed.start_ns, closed.end_ns) == (100, 500)


def test_what_cannot_be_told_any_more_ends_now() -> None:
    faults = Faults("from-receiver")
    faults.take(fail(100), 200)
    _, (closed,) = faults.take([Check("gap", "GGA", "unknown")], 400)
    assert closed.end_ns == 400


def test_an_instant_of_passing_outside_the_fault_is_not_taken() -> None:
    faults = Faults("from-receiver")
    faults.take(fail(100), 200)
    assert faults.take(passing(999), 400)[1][0].end_ns == 400
    faults.take(fail(500), 600)
    assert faults.take(passing(450), 800)[1][0].end_ns == 500


@pytest.mark.parametrize(
    ("kind", "figures", "worst"),
    [("gap", [1.0, 3.0, 2.0], 3.0), ("rate-low", [4.0, 2.0, 3.0], 2.0), ("satellites-few", [3, 2, 3], 2),
     ("decimals-few", [4, 5], 4), ("age-high", [61, 70, 65], 70), ("rate-high", [6, 9, 7], 9)],
)  # fmt: skip
def test_the_worst_figure_is_kept_and_said(kind: str, figures: list[float], worst: float) -> None:
    faults = Faults("from-receiver")
    for number, figure in enumerate(figures, 1):
        faults.take(fail(100, measured=figure, id_=kind), number * STEP)
    (fault,) = faults.open
    assert fault.measured == worst
    assert fault.says == fail(100, measured=worst, id_=kind)[0].says
    as_check = fault.as_check()
    assert (as_check.state, as_check.says, as_check.measured) == ("fail", fault.says, worst)
    better = worst + 1 if kind in ("rate-low", "satellites-few", "decimals-few") else worst - 1
    assert fault.worse_than(better)
    assert not fault.worse_than(worst)
    assert not fault.worse_than(None)
