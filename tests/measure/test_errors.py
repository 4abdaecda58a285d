"""Damage by reason, and the damage of late."""

from __future__ import annotations

from collections import Counter

from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.measure.errors import RECENT_NS, Errors

FEWER = settings(max_examples=max(60, settings().max_examples // 10))
"""Of the long draws: a tenth of the examples that the profile asks for, which is a thousand in CI."""

REASONS = ("checksum-bad", "cut-short", "start-missing")


@FEWER
@given(
    st.lists(st.tuples(st.integers(0, 4_000), st.sampled_from(REASONS)), max_size=40),
    st.lists(st.integers(0, 6_000), min_size=1, max_size=4),
    st.sets(st.sampled_from((*REASONS, "overlong"))),
)
def test_recent_damage_is_that_of_the_last_ten_seconds(
    damage: list[tuple[int, str]], looks_ms: list[int], asked: set[str]
) -> None:
    errors, at_ns, all_of_it = Errors(), 0, []
    for later_ms, reason in damage:
        at_ns += later_ms * 1_000_000
        errors.add(reason, at_ns)
        all_of_it.append((at_ns, reason))
    for later_ms in looks_ms:
        at_ns += later_ms * 1_000_000
        expected = sorted(t for t, reason in all_of_it if reason in asked and t > at_ns - RECENT_NS)
        assert errors.recent(tuple(sorted(asked)), at_ns) == expected
    assert errors.total == len(damage)
    assert errors.reasons == Counter(reason for _, reason in damage)


def test_the_window_is_ten_seconds_to_the_nanosecond() -> None:
    errors = Errors()
    errors.add("checksum-bad", 1)
    assert errors.recent(("checksum-bad",), 10_000_000_000) == [1]
    assert errors.recent(("checksum-bad",), 10_000_000_001) == []
    assert errors.total == 1


def test_times_of_several_reasons_come_in_order() -> None:
    errors = Errors()
    for at_ns, reason in ((1, "overlong"), (2, "cut-short"), (3, "overlong"), (4, "cut-short")):
        errors.add(reason, at_ns)
    assert errors.recent(("cut-short", "overlong"), 5) == [1, 2, 3, 4]


def test_what_is_given_away_is_not_kept() -> None:
    """Whoever alters the answer alters no measure."""
    errors = Errors()
    errors.add("cut-short", 1)
    errors.recent(("cut-short",), 2).clear()
    assert errors.recent(("cut-short",), 2) == [1]


def test_memory_is_bounded_in_a_storm() -> None:
    errors = Errors()
    for at_ns in range(50_000):
        errors.add("start-missing", at_ns)
    assert len(errors.recent(("start-missing",), 50_000)) == 1000
    assert errors.total == 50_000
