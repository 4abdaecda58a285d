"""How often a message comes: rate over a window, intervals and the longest gap.

The rate over a window is taken between its first and last arrival, `(n - 1) / (last - first)`: counting arrivals in a
fixed window would be off by one, which at 1 Hz over 10 s is 10 %. When the next arrival is overdue, the time since the
last one counts as well, so the rate of a message that stopped falls at once. Work is O(1) a sentence (each arrival
enters and leaves a window once), memory is bounded by ARRIVALS_MOST.
"""

from __future__ import annotations

from collections import deque
from itertools import islice, pairwise

from appliance.measure.spread import Spread

SHORT_NS = 10_000_000_000
"""The window that a check uses, 10 s: long enough for 1 Hz, short enough to show a change. Our choice."""
LONG_NS = 60_000_000_000
ARRIVALS_MOST = 1200
"""Arrivals kept a window: 60 s at 20 Hz. A faster message is measured over its last 1200."""

_SLOW_RUN = 2
_SLOW_FACTOR = 2.5
"""Two intervals over the limit running make a slow message; 2.5 of its own intervals are a gap in it. Our choice."""
_OVERDUE = 1.5
"""An arrival is overdue when it has not come after this many mean intervals."""


class Rate:
    """Arrivals of one message, in order of time.

    gap_most_ns: an interval longer than this is a gap: it is noted for whoever asks, and the short window starts
    afresh after it, so that one loss is not told twice, as a gap and as a low rate (IEC 61000-4-30 calls it flagging).
    A message whose every interval is that long is slow rather than gappy: then its rate tells it, and only an interval
    much longer than its own usual one is a gap. Slower than twice in the window no rate can tell: there each is a gap.

    count: sentences; the meter adds to it those that belong to the last arrival, which change no rate. intervals:
    their spread, where it is kept.
    """

    __slots__ = (
        "_arrivals",
        "_gap",
        "_keeps_spread",
        "_late_run",
        "_long",
        "_short",
        "_slow_ns",
        "count",
        "first_ns",
        "gap_most_ns",
        "intervals",
        "last_ns",
        "longest_gap_ns",
    )

    def __init__(self, gap_most_ns: int | None = None, *, keeps_spread: bool = True) -> None:
        self.gap_most_ns = gap_most_ns
        self.count = 0
        self.first_ns = 0
        self.last_ns = 0
        self.longest_gap_ns = 0
        self.intervals = Spread()
        self._keeps_spread = keeps_spread
        self._arrivals = 0
        self._short: deque[int] = deque(maxlen=ARRIVALS_MOST)
        self._long: deque[int] = deque(maxlen=ARRIVALS_MOST)
        self._gap: tuple[int, int] | None = None
        self._late_run = 0
        self._slow_ns = 0

    @property
    def slow(self) -> bool:
        """Whether the last intervals were all longer than a gap may be, and short enough for the rate to tell it."""
        return self._late_run >= _SLOW_RUN and self._slow_ns <= SHORT_NS // 2

    @property
    def limit_ns(self) -> int | None:
        """The interval from which the next one is a gap; None where no limit is asked."""
        if not self._late_run or self.gap_most_ns is None or not self.slow:
            return self.gap_most_ns
        return max(self.gap_most_ns, int(_SLOW_FACTOR * self._slow_ns))

    def add(self, at_ns: int, resumed_ns: int = 0) -> None:
        """One arrival. resumed_ns: when the line last spoke again after a silence; a gap is counted from there."""
        last_ns = self.last_ns
        if self.count:
            interval = at_ns - last_ns
            if self._keeps_spread:
                self.intervals.add(interval / 1e9)
            self.longest_gap_ns = max(self.longest_gap_ns, interval)
            resumed = resumed_ns > last_ns
            late = self.gap_most_ns is not None and (self._late_run > 0 or interval > self.gap_most_ns)
            if late or resumed:
                self._note_gap(max(last_ns, resumed_ns), at_ns, resumed)
        else:
            self.first_ns = at_ns
        self.count += 1
        self._arrivals += 1
        self.last_ns = at_ns
        short, long = self._short, self._long
        short.append(at_ns)
        while short[0] <= at_ns - SHORT_NS:
            short.popleft()
        long.append(at_ns)
        while long[0] <= at_ns - LONG_NS:
            long.popleft()

    def _note_gap(self, since_ns: int, at_ns: int, after_silence: bool) -> None:
        limit_ns, interval = self.limit_ns, at_ns - since_ns
        if after_silence:
            self._short.clear()
        if limit_ns is None or self.gap_most_ns is None:
            return
        if interval > limit_ns:
            if self._gap is None or interval > self._gap[1] - self._gap[0]:
                self._gap = since_ns, at_ns
            if not self._late_run:
                self._short.clear()
        if interval <= self.gap_most_ns:
            self._late_run = 0
        elif not self.slow or interval <= limit_ns:
            self._late_run += 1
            self._slow_ns = interval

    def last_intervals_s(self, most: int) -> list[float]:
        """The last intervals of the last 60 s, oldest first, `most` at most."""
        arrivals = list(islice(reversed(self._long), most + 1))
        return [(after - before) / 1e9 for after, before in pairwise(arrivals)][::-1]

    def take_gap(self) -> tuple[int, int] | None:
        """The longest gap that ended since this was last asked, as (from, to); None where there was none."""
        longest, self._gap = self._gap, None
        return longest

    def short_hz(self, now_ns: int) -> float | None:
        """Rate over the last 10 s, or since the last gap; None where that holds one arrival, 0 where none."""
        return _rate(self._short, SHORT_NS, now_ns)

    def long_hz(self, now_ns: int) -> float | None:
        """Rate over the last 60 s; None where that holds one arrival, 0 where none."""
        return _rate(self._long, LONG_NS, now_ns)

    def whole_hz(self) -> float | None:
        """Rate from the first arrival to the last; None before two arrivals."""
        span = self.last_ns - self.first_ns
        return (self._arrivals - 1) * 1e9 / span if span > 0 else None

    def short_span_ns(self) -> int:
        """How much time the short window covers."""
        return self._short[-1] - self._short[0] if self._short else 0


def _rate(window: deque[int], width_ns: int, now_ns: int) -> float | None:
    while window and window[0] <= now_ns - width_ns:
        window.popleft()
    if len(window) < 2:
        return None if window else 0.0
    span = window[-1] - window[0]
    if span <= 0:
        return None
    intervals = len(window) - 1
    if now_ns - window[-1] > _OVERDUE * span / intervals:
        span = now_ns - window[0]
    return intervals * 1e9 / span
