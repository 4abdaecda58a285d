"""Errored, severely errored and unavailable seconds: the rules of ITU-T G.826, by cases worked from its definition."""

from __future__ import annotations

import pytest

from appliance.measure.performance import Performance, Second, SecondBySecond

S = 1_000_000_000
GOOD, BAD, FLAWED = Second(10, 0), Second(10, 3), Second(10, 2)


def over(*runs: tuple[Second, int]) -> Performance:
    performance = Performance()
    for second, times in runs:
        for _ in range(times):
            performance.add(second)
    return performance


@pytest.mark.parametrize(
    ("runs", "severe", "unavailable", "pending"),
    [
        ([(BAD, 9), (GOOD, 1)], 9, 0, 0),
        ([(BAD, 9)], 0, 0, 9),
        ([(BAD, 10), (GOOD, 10)], 0, 10, 0),
        ([(BAD, 10), (GOOD, 9)], 0, 10, 9),
        ([(BAD, 10), (GOOD, 9), (BAD, 1), (GOOD, 10)], 0, 20, 0),
        ([(GOOD, 5), (BAD, 3), (GOOD, 5), (BAD, 12), (GOOD, 20)], 3, 12, 0),
    ],
)
def test_worked_cases(runs: list[tuple[Second, int]], severe: int, unavailable: int, pending: int) -> None:
    found = over(*runs)
    assert (found.severe, found.unavailable, found.pending) == (severe, unavailable, pending)
    assert found.available + found.unavailable + found.pending == sum(times for _, times in runs)


def test_errors_count_in_available_time_only() -> None:
    found = over((FLAWED, 4), (BAD, 10), (FLAWED, 3), (BAD, 1), (GOOD, 10))
    assert (found.errored, found.severe, found.background) == (4, 0, 8)


def test_thirty_per_cent_is_severe_and_a_defect_is_without_any_block() -> None:
    assert not Second(10, 2).severe
    assert Second(10, 3).severe
    assert Second(0, 0, defect=True).severe
    assert not Second(0, 0).severe


def test_many_alike_are_as_one_by_one() -> None:
    at_once, one_by_one = over((GOOD, 3)), over((GOOD, 3), (Second(0, 0, True), 5000), (GOOD, 12))
    at_once.add(Second(0, 0, True), 5000)
    for _ in range(12):
        at_once.add(GOOD)
    assert vars(at_once) == vars(one_by_one)


@pytest.mark.parametrize("silence_most_ns", [None, 2_500_000_000, 40 * S, 100 * 365 * 86400 * S])
def test_a_silence_of_years_is_counted_at_once_and_as_one_by_one(silence_most_ns: int | None) -> None:
    at_once, one_by_one = SecondBySecond(silence_most_ns), SecondBySecond(silence_most_ns)
    for one in (at_once, one_by_one):
        one.begin(100 * S)
        one.add(101 * S + 1, sound=True)
    for second in range(102, 500):
        one_by_one.until(second * S)
    at_once.until(499 * S)
    assert vars(at_once.total) == vars(one_by_one.total)
    at_once.until(50 * 365 * 86400 * S)  # one by one it would take minutes
    assert at_once.total.available + at_once.total.unavailable == 50 * 365 * 86400 - 100 - at_once.total.pending


def test_sentences_are_sorted_into_seconds_and_a_silence_is_a_defect() -> None:
    by_second = SecondBySecond(2_500_000_000)
    by_second.begin(100 * S)
    for n in range(20):
        by_second.add(100 * S + n * S // 2, sound=n != 7)
    by_second.until(140 * S)
    total = by_second.total
    assert (total.available, total.errored, total.severe, total.unavailable) == (12, 1, 1, 28)


def test_one_sentence_a_second_that_straddles_is_no_defect() -> None:
    by_second = SecondBySecond(2_500_000_000)
    by_second.begin(0)
    for n in range(60):
        by_second.add(n * S + (990_000_000 if n % 2 else 10_000_000), sound=True)
    by_second.until(60 * S)
    assert (by_second.total.errored, by_second.total.available) == (0, 60)


def test_while_nobody_listens_nothing_is_counted() -> None:
    by_second = SecondBySecond(600_000_000)
    by_second.add(0, sound=False)
    by_second.begin(10 * S)
    for n in range(50):
        by_second.add(10 * S + n * S // 5, sound=True)
    by_second.pause(20 * S)
    by_second.until(80 * S)
    by_second.begin(80 * S)
    by_second.add(80 * S + S // 2, sound=True)
    by_second.until(81 * S)
    assert (by_second.total.available, by_second.total.errored, by_second.total.pending) == (11, 0, 0)


def test_where_silence_cannot_be_told_it_is_no_defect() -> None:
    by_second = SecondBySecond(None)
    by_second.begin(0)
    by_second.add(S // 2, sound=True)
    by_second.until(1000 * S)
    assert (by_second.total.available, by_second.total.unavailable) == (1000, 0)
