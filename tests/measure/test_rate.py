"""Rates, gaps and intervals, against a slow count over all arrivals."""

from __future__ import annotations

import statistics
from fractions import Fraction
from itertools import accumulate, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.measure.rate import ARRIVALS_MOST, LONG_NS, SHORT_NS, Rate

FEWER = settings(max_examples=max(60, settings().max_examples // 10))
"""Of the long draws: a tenth of the examples that the profile asks for, which is a thousand in CI."""

MS = 1_000_000
SECOND = 1_000_000_000
START = 7_123_456_789_000


def slow_rate(arrivals: list[int], now_ns: int, width_ns: int) -> Fraction | None:
    """(n - 1) / (last - first) of the arrivals in the window; to now where the next is late by half an interval."""
    inside = [at for at in arrivals if now_ns - width_ns < at <= now_ns]
    if not inside:
        return Fraction(0)
    if inside[-1] == inside[0]:
        return None
    intervals = len(inside) - 1
    mean = Fraction(inside[-1] - inside[0], intervals)
    span = now_ns - inside[0] if now_ns - inside[-1] > Fraction(3, 2) * mean else inside[-1] - inside[0]
    return Fraction(intervals * SECOND, span)


def same(measured: float | None, exact: Fraction | None) -> bool:
    if measured is None or exact is None:
        return measured is None and exact is None
    return measured == pytest.approx(float(exact), rel=1e-12)


def fed(arrivals: list[int], gap_most_ns: int | None = None) -> Rate:
    rate = Rate(gap_most_ns)
    for at_ns in arrivals:
        rate.add(at_ns)
    return rate


def every(interval_ns: int, count: int, start_ns: int = START) -> list[int]:
    return [start_ns + number * interval_ns for number in range(count)]


@FEWER
@given(
    st.lists(st.one_of(st.integers(0, 400), st.integers(0, 30_000)), min_size=1, max_size=60),
    st.integers(0, 70_000),
)
def test_rates_are_those_of_a_slow_count(intervals_ms: list[int], later_ms: int) -> None:
    arrivals = [START + total * MS for total in accumulate(intervals_ms)]
    now_ns = arrivals[-1] + later_ms * MS
    rate = fed(arrivals)
    assert same(rate.short_hz(now_ns), slow_rate(arrivals, now_ns, SHORT_NS))
    assert same(rate.long_hz(now_ns), slow_rate(arrivals, now_ns, LONG_NS))
    if arrivals[-1] > arrivals[0]:
        assert rate.whole_hz() == pytest.approx((len(arrivals) - 1) * SECOND / (arrivals[-1] - arrivals[0]))
    else:
        assert rate.whole_hz() is None
    assert rate.longest_gap_ns == max((b - a for a, b in pairwise(arrivals)), default=0)
    assert rate.count == len(arrivals)
    assert (rate.first_ns, rate.last_ns) == (arrivals[0], arrivals[-1])


@FEWER
@given(st.lists(st.tuples(st.integers(1, 3000), st.integers(0, 2999)), min_size=1, max_size=60))
def test_looking_between_arrivals_changes_nothing(steps: list[tuple[int, int]]) -> None:
    looked, arrivals, now_ns = Rate(), list[int](), START
    for interval_ms, later_ms in steps:
        now_ns += interval_ms * MS
        arrivals.append(now_ns)
        looked.add(now_ns)
        now_ns += later_ms * MS
        assert same(looked.short_hz(now_ns), slow_rate(arrivals, now_ns, SHORT_NS))
        assert same(looked.long_hz(now_ns), slow_rate(arrivals, now_ns, LONG_NS))


@pytest.mark.parametrize("interval_ms", [1000, 200, 100, 50])
def test_a_steady_message_has_its_rate_at_every_instant(interval_ms: int) -> None:
    """A count in a fixed window would give 0.9 to 1.1 Hz at 1 Hz; here it is exact wherever the window begins."""
    rate = Rate()
    for number, at_ns in enumerate(every(interval_ms * MS, 100)):
        rate.add(at_ns)
        for part in range(0, 100, 7):
            now_ns = at_ns + interval_ms * MS * part // 100
            if number:
                assert rate.short_hz(now_ns) == pytest.approx(1000 / interval_ms, rel=1e-12)
                assert rate.long_hz(now_ns) == pytest.approx(1000 / interval_ms, rel=1e-12)


def test_the_short_window_is_ten_seconds_and_not_a_nanosecond_more() -> None:
    assert fed(every(SECOND, 30)).short_span_ns() == 9 * SECOND
    assert fed(every(SECOND - 1, 30)).short_span_ns() == 10 * (SECOND - 1)


def test_the_rate_falls_at_once_when_the_message_stops() -> None:
    rate = fed(every(200 * MS, 100))
    stop_ns = rate.last_ns
    assert rate.short_hz(stop_ns + 299 * MS) == pytest.approx(5.0)
    told = [rate.short_hz(stop_ns + later_ms * MS) for later_ms in range(301, 9700, 100)]
    assert all(hz is not None and hz < 5 for hz in told)
    assert told == sorted(told, key=lambda hz: -(hz or 0))
    assert told[7] == pytest.approx(44 / 9.801)  # 1.001 s after the stop: 45 arrivals, the first 8.8 s before it
    assert rate.short_hz(stop_ns + SHORT_NS) == 0.0
    assert rate.long_hz(stop_ns + LONG_NS) == 0.0


def test_before_two_arrivals_there_is_no_rate() -> None:
    rate = fed([START])
    assert rate.short_hz(START) is None
    assert rate.long_hz(START) is None
    assert rate.whole_hz() is None
    assert rate.short_span_ns() == 0
    assert Rate().short_hz(START) == 0.0
    assert Rate().short_span_ns() == 0
    assert fed([START, START]).short_hz(START) is None  # two at one instant have no rate either


def test_median_interval() -> None:
    arrivals = list(accumulate([START, 200, 210, 190, 200, 600, 200, 205], lambda at, ms: at + ms * MS))
    exact = statistics.median_low(b - a for a, b in pairwise(arrivals))
    assert fed(arrivals).intervals.quantile(0.5) == pytest.approx(exact / SECOND, rel=0.02)


@FEWER
@given(st.lists(st.one_of(st.just(200), st.integers(1, 3000)), min_size=1, max_size=60))
def test_a_lone_long_interval_is_a_gap_to_the_nanosecond(intervals_ms: list[int]) -> None:
    limit_ns, at_ns = 600 * MS, START
    rate = fed([START], limit_ns)
    for interval_ms in intervals_ms:
        for step_ms in (interval_ms, 200):  # each long one is followed by a usual one
            before, at_ns = at_ns, at_ns + step_ms * MS
            rate.add(at_ns)
            assert rate.take_gap() == ((before, at_ns) if step_ms > 600 else None)
            assert rate.take_gap() is None
            assert rate.limit_ns == limit_ns


def test_a_gap_is_longer_than_the_limit_by_one_nanosecond() -> None:
    assert fed([START, START + 600 * MS], 600 * MS).take_gap() is None
    assert fed([START, START + 600 * MS + 1], 600 * MS).take_gap() == (START, START + 600 * MS + 1)
    assert fed([START, START + 900 * SECOND]).take_gap() is None  # nobody asked for a limit


def test_the_longest_gap_since_the_last_question_is_told() -> None:
    arrivals = [START + ms * MS for ms in (0, 700, 900, 2000, 2200, 3000, 3200)]
    assert fed(arrivals, 600 * MS).take_gap() == (START + 900 * MS, START + 2000 * MS)


def test_after_a_gap_the_short_rate_starts_afresh_and_the_long_one_does_not() -> None:
    before = every(200 * MS, 51)
    after = every(200 * MS, 6, before[-1] + 3 * SECOND)
    rate = fed(before + after[:1], 600 * MS)
    assert rate.short_hz(after[0]) is None
    for at_ns in after[1:]:
        rate.add(at_ns)
    assert rate.short_hz(after[-1]) == pytest.approx(5.0)
    assert rate.short_span_ns() == SECOND
    assert rate.long_hz(after[-1]) == pytest.approx(56 / 14)  # 56 intervals in 10 + 3 + 1 s


class TestASilentLine:
    """After a silence of the whole line a message's gap is counted from when the line spoke again."""

    def test_the_gap_clock_starts_when_the_line_resumes(self) -> None:
        rate = fed(every(200 * MS, 20), 600 * MS)
        resumed_ns = rate.last_ns + 5 * SECOND
        rate.add(resumed_ns + 300 * MS, resumed_ns)
        assert rate.take_gap() is None
        assert rate.longest_gap_ns == 5300 * MS

    def test_a_message_that_comes_late_after_it_has_a_gap_from_there(self) -> None:
        rate = fed(every(200 * MS, 20), 600 * MS)
        resumed_ns = rate.last_ns + 5 * SECOND
        rate.add(resumed_ns + 900 * MS, resumed_ns)
        assert rate.take_gap() == (resumed_ns, resumed_ns + 900 * MS)

    def test_the_short_rate_does_not_count_the_silence(self) -> None:
        rate = fed(every(200 * MS, 20), 600 * MS)
        resumed_ns = rate.last_ns + 5 * SECOND
        for at_ns in every(200 * MS, 6, resumed_ns):
            rate.add(at_ns, resumed_ns)
        assert rate.short_hz(rate.last_ns) == pytest.approx(5.0)
        assert rate.short_span_ns() == SECOND

    def test_a_silence_before_the_last_arrival_is_over(self) -> None:
        rate = fed(every(200 * MS, 20), 600 * MS)
        rate.add(rate.last_ns + 900 * MS, rate.last_ns - SECOND)
        assert rate.take_gap() == (rate.last_ns - 900 * MS, rate.last_ns)


class TestSlowMessage:
    """A message whose every interval is over the limit is slow: its rate tells it, not a gap each time."""

    LIMIT = 600 * MS

    def gaps(self, arrivals: list[int]) -> list[tuple[int, int]]:
        rate, found = Rate(self.LIMIT), []
        for at_ns in arrivals:
            rate.add(at_ns)
            gap = rate.take_gap()
            found += [gap] if gap else []
        return found

    def test_its_rate_is_told_and_its_intervals_are_no_gaps(self) -> None:
        arrivals = every(SECOND, 60)
        assert self.gaps(arrivals) == [(arrivals[0], arrivals[1]), (arrivals[1], arrivals[2])]
        rate = fed(arrivals, self.LIMIT)
        assert rate.slow
        assert rate.short_hz(rate.last_ns) == pytest.approx(1.0)
        assert rate.short_span_ns() == 9 * SECOND

    def test_one_long_gap_in_it_is_found(self) -> None:
        before = every(SECOND, 30)
        after = every(SECOND, 30, before[-1] + 4 * SECOND)
        assert self.gaps(before + after)[2:] == [(before[-1], after[0])]

    def test_a_gap_in_it_neither_resets_its_rate_nor_its_usual_interval(self) -> None:
        before = every(SECOND, 30)
        first = before[-1] + 4 * SECOND
        rate = fed([*before, first], self.LIMIT)
        assert rate.short_span_ns() == 9 * SECOND
        assert rate.limit_ns == 2.5 * SECOND
        assert self.gaps([*before, first, first + 3 * SECOND])[2:] == [(before[-1], first), (first, first + 3 * SECOND)]

    def test_an_interval_of_twice_its_own_is_no_gap_in_it(self) -> None:
        before = every(SECOND, 30)
        assert len(self.gaps(before + every(SECOND, 30, before[-1] + 2 * SECOND))) == 2

    def test_once_it_keeps_the_limit_again_a_gap_is_a_gap(self) -> None:
        slow = every(SECOND, 10)
        quick = every(200 * MS, 10, slow[-1] + 200 * MS)
        late = quick[-1] + 700 * MS
        assert self.gaps([*slow, *quick, late])[2:] == [(quick[-1], late)]
        assert fed([*slow, *quick], self.LIMIT).limit_ns == self.LIMIT

    @pytest.mark.parametrize("interval_s", [5.1, 7.0, 12.0, 300.0])
    def test_slower_than_the_window_can_tell_each_interval_is_a_gap(self, interval_s: float) -> None:
        arrivals = every(int(interval_s * SECOND), 8)
        assert self.gaps(arrivals) == list(pairwise(arrivals))
        assert fed(arrivals, self.LIMIT).limit_ns == self.LIMIT

    @FEWER
    @given(st.integers(601, 5000), st.integers(0, 99))
    def test_at_any_instant_either_the_rate_or_an_overdue_gap_tells_it(self, interval_ms: int, percent: int) -> None:
        rate = fed(every(interval_ms * MS, 40), self.LIMIT)
        now_ns = rate.last_ns + interval_ms * MS * percent // 100
        assert rate.slow
        assert rate.limit_ns is not None
        assert now_ns - rate.last_ns <= rate.limit_ns
        assert rate.short_hz(now_ns) == pytest.approx(1000 / interval_ms)


def test_memory_is_bounded_at_100_hz() -> None:
    rate = Rate(5 * MS)  # every interval is over the limit, and nobody asks for the gaps
    for at_ns in every(10 * MS, 20_000):
        rate.add(at_ns)
    assert len(rate._short) <= ARRIVALS_MOST
    assert len(rate._long) <= ARRIVALS_MOST
    assert len(rate.intervals._bins) == 1
    assert rate.short_hz(rate.last_ns) == pytest.approx(100)
    assert rate.long_hz(rate.last_ns) == pytest.approx(100)
    assert not any(isinstance(getattr(rate, name), list | dict | set) for name in Rate.__slots__)
