"""The wiggle test's counting: every loss once, and at the moment at which it can be known."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.measure.wiggle import Wiggle

MS = 1_000_000
START_NS = 10_000 * MS
FIVE_HZ = {"GGA": 200 * MS}


def at(ms: int) -> int:
    return START_NS + ms * MS


def heard(wiggle: Wiggle, *gga_ms: int) -> None:
    for ms in gga_ms:
        wiggle.sentence("GGA", at(ms))


def test_a_sentence_is_missing_once_it_is_overdue_by_half_its_interval() -> None:
    wiggle = Wiggle(FIVE_HZ, START_NS)
    heard(wiggle, 100)
    wiggle.tick(at(399))
    assert wiggle.count == 0
    wiggle.tick(at(400))
    assert (wiggle.missing_count, wiggle.last_hit_ns) == (1, at(400))
    wiggle.tick(at(1000))
    assert (wiggle.missing_count, wiggle.last_hit_ns) == (4, at(1000))


def test_one_that_came_damaged_is_not_missing_as_well() -> None:
    wiggle = Wiggle(FIVE_HZ, START_NS)
    heard(wiggle, 100)
    wiggle.damaged(at(300))
    heard(wiggle, 500, 700)
    assert (wiggle.damaged_count, wiggle.missing_count) == (1, 0)


def test_one_damaged_excuses_one_alone() -> None:
    wiggle = Wiggle(FIVE_HZ | {"VTG": 200 * MS}, START_NS)
    heard(wiggle, 100)
    wiggle.sentence("VTG", at(110))
    wiggle.damaged(at(300))  # both in one frame
    heard(wiggle, 500)
    wiggle.sentence("VTG", at(510))
    assert (wiggle.damaged_count, wiggle.missing_count) == (1, 1)


def test_what_was_damaged_long_ago_excuses_nothing() -> None:
    wiggle = Wiggle(FIVE_HZ, START_NS)
    wiggle.damaged(at(50))
    heard(wiggle, 100, 300)
    wiggle.tick(at(600))
    assert (wiggle.damaged_count, wiggle.missing_count) == (1, 1)


def test_damage_from_before_the_start_is_not_counted() -> None:
    wiggle = Wiggle(FIVE_HZ, START_NS)
    wiggle.damaged(at(-1))
    assert wiggle.count == 0
    assert wiggle.last_hit_ns is None


def test_a_message_that_is_not_needed_is_not_waited_for() -> None:
    wiggle = Wiggle({}, START_NS)
    wiggle.sentence("GSV", at(100))
    wiggle.tick(at(60_000))
    assert wiggle.count == 0


def test_the_strip_holds_the_last_minute_by_quarters_of_a_second() -> None:
    wiggle = Wiggle({}, START_NS)
    for ms in (0, 249, 250, 59_999):
        wiggle.damaged(at(ms))
    strip = wiggle.strip(at(59_999))
    assert len(strip) == 240
    assert (strip[0], strip[1], strip[-1]) == (2, 1, 1)
    assert sum(wiggle.strip(at(60_000))) == 2  # the first cell has gone out of it
    assert sum(wiggle.strip(at(200_000))) == 0


@given(st.lists(st.integers(0, 400), max_size=60), st.integers(1, 400))
def test_every_loss_is_in_the_count_and_none_twice(gaps_ms: list[int], tick_ms: int) -> None:
    """However often it is looked at, the count is the same."""
    seldom, often = Wiggle(FIVE_HZ, START_NS), Wiggle(FIVE_HZ, START_NS)
    now_ms = 0
    for number, gap_ms in enumerate(gaps_ms):
        for ms in range(now_ms, now_ms + gap_ms, tick_ms):
            often.tick(at(ms))
        now_ms += gap_ms
        for wiggle in (seldom, often):
            wiggle.tick(at(now_ms))
            wiggle.damaged(at(now_ms)) if number % 3 == 0 else wiggle.sentence("GGA", at(now_ms))
    assert (seldom.damaged_count, seldom.missing_count) == (often.damaged_count, often.missing_count)
    assert sum(seldom.strip(at(now_ms))) == seldom.count
    assert seldom.last_hit_ns == often.last_hit_ns


@pytest.mark.parametrize("lost", [1, 2, 7])
def test_so_many_left_out_are_so_many_missing(lost: int) -> None:
    wiggle = Wiggle(FIVE_HZ, START_NS)
    heard(wiggle, *range(0, 2000, 200))
    heard(wiggle, *range(2000 + 200 * lost, 4000 + 200 * lost, 200))
    assert wiggle.missing_count == lost
