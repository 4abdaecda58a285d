"""The verdict as a table of states, and the machine that follows it over looks."""

from __future__ import annotations

from itertools import product
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.judge.check import Check
from appliance.judge.check import State as CheckState
from appliance.judge.verdict import NEXT, OPTIONAL, Signal, State, Verdict
from appliance.judge.words import SAYS

SECOND = 1_000_000_000
STEP = SECOND // 5


def test_the_table_has_a_next_state_for_everything() -> None:
    assert set(NEXT) == set(product(get_args(State), get_args(Signal)))
    assert set(NEXT.values()) == set(get_args(State))


def test_the_table_keeps_its_promises() -> None:
    for (state, signal), then in NEXT.items():
        assert (then == "no-go") == (signal == "failing" or (state == "no-go" and signal == "unsure"))
        assert (then == "go") == (signal == "clean")


def checks_of(states: tuple[str, ...]) -> list[Check]:
    ids = ("gap", "rate-low", "age-high", "silent")  # the last two may stay unknown
    return [Check(id_, "", state) for id_, state in zip(ids, states, strict=True)]  # type: ignore[arg-type]


looks = st.lists(st.tuples(*[st.sampled_from(get_args(CheckState))] * 4), min_size=1, max_size=120)


@given(looks=looks, clean_run=st.sampled_from([0.0, 1.0, 2.5]))
def test_whatever_is_found(looks: list[tuple[str, ...]], clean_run: float) -> None:
    """No go beside a failing check, none before the clean run; a no-go turns into go or stays."""
    verdict = Verdict(clean_run, 0)
    failed_at = 0
    for number, states in enumerate(looks, 1):
        now, before = number * STEP, verdict.state
        turned = verdict.take(checks_of(states), now)
        assert turned == (verdict.state != before)
        if turned:
            assert verdict.since_ns == now
        if "fail" in states:
            assert verdict.state == "no-go"
            failed_at = now
        if before == "no-go":
            assert verdict.state != "wait"
        if "unknown" in states[:2]:
            assert verdict.state != "go"
        if verdict.state == "go":
            assert now - failed_at >= clean_run * SECOND
        elif "fail" not in states and "unknown" not in states[:2]:
            assert now - failed_at - STEP < clean_run * SECOND
        assert verdict.says(checks_of(states), now).endswith(".")


def test_a_clean_run_is_counted_from_the_look_that_found_it_clean() -> None:
    verdict = Verdict(2.0, 0)
    verdict.take([Check("gap", "GGA", "fail")], 10 * SECOND)
    for now in range(10 * SECOND + STEP, 12 * SECOND + STEP, STEP):
        assert not verdict.take([Check("gap", "GGA", "pass")], now)
    verdict.take([Check("gap", "GGA", "pass")], 12 * SECOND + STEP)
    assert verdict.state == "go"


def test_of_what_was_over_already_the_clean_run_is_counted_from_its_end() -> None:
    verdict = Verdict(2.0, 0)
    verdict.take([Check("gap", "GGA", "fail", over_ns=9 * SECOND)], 10 * SECOND)
    assert not verdict.take([Check("gap", "GGA", "pass")], 11 * SECOND - STEP)
    assert verdict.take([Check("gap", "GGA", "pass")], 11 * SECOND)
    assert verdict.state == "go"


def test_no_check_at_all_is_no_go_ahead() -> None:
    verdict = Verdict(0.0, 0)
    assert not verdict.take([], SECOND)
    assert verdict.state == "wait"


@pytest.mark.parametrize("id_", SAYS)
def test_what_may_stay_unknown(id_: str) -> None:
    verdict = Verdict(1.0, 0)
    verdict.take([Check(id_, "GGA", "unknown")], 5 * SECOND)
    assert verdict.state == ("go" if id_ in OPTIONAL else "wait")
    assert set(SAYS) >= OPTIONAL


def test_it_says_why() -> None:
    verdict = Verdict(10.0, 0)
    away = Check("gap", "GGA", "fail", 3.1, 0.6, note="has been")
    unknown = Check("rate-low", "GGA", "unknown")
    well = Check("gap", "GGA", "pass", 0.1, 0.6)
    verdict.take([unknown], SECOND)
    waits = "The rate of GGA cannot be told yet. Listening: a go needs a clean run, so far 1 of 10 s."
    assert verdict.says([unknown], SECOND) == waits
    assert verdict.says([well], 2 * SECOND) == "All checks pass; a go needs a clean run, so far 2 of 10 s."
    verdict.take([away, unknown], 3 * SECOND)
    assert verdict.says([away, unknown], 3 * SECOND) == away.says
    verdict.take([well], 4 * SECOND)
    over = "GGA has been away for 3.1 s; a gap of at most 0.6 s is allowed."
    assert verdict.says([well], 6 * SECOND) == f"{over} That is over; a go needs a clean run, so far 2 of 10 s."
    verdict.take([well], 14 * SECOND)
    assert verdict.says([well], 14 * SECOND) == "All that the controller needs is coming."
