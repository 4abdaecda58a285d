"""UTC from the line, as an offset from the monotonic clock.

A Pi has no battery clock, so the date of a watch comes from the receiver once it has proved itself: several dated
epochs in a row whose offsets agree, and none of which the calendar mistrusts. An epoch arrives after the instant that
it names, never before; so the smallest delay seen is nearest the truth, and the offset can only be too small, by the
receiver's own delay.
"""

from __future__ import annotations

from collections import deque
from datetime import UTC, datetime

from appliance.measure.epoch import Epoch

AGREE_NS = 500_000_000
"""Offsets that differ by less than this agree: half an interval of the slowest usual message. Our choice."""
PROVED_COUNT = 4
"""Agreeing sentences in a row that prove a clock. Our choice."""
RECEIVER_DELAY_S = 0.5
"""How much later than its instant a sentence may leave a receiver; part of the uncertainty. Common practice."""
_YEARS = range(1678, 2262)
"""Those of which every nanosecond since 1970 fits into the 64 bits that history keeps a time in."""


def utc_ns(date: tuple[int, int, int], time_s: float) -> int | None:
    """Nanoseconds since 1970 of a UTC date and time of day; None where there is no such day, or none of these ages."""
    try:
        midnight = datetime(*date, tzinfo=UTC)
    except ValueError:
        return None
    if midnight.year not in _YEARS:
        return None
    return int(midnight.timestamp()) * 1_000_000_000 + round(time_s * 1e9)


class UtcAnchor:
    """Takes what is dated on a line. `offset_ns` is UTC minus monotonic time, None until proved."""

    def __init__(self) -> None:
        self.offset_ns: int | None = None
        self.uncertainty_s: float | None = None
        self._offsets: deque[int] = deque(maxlen=64)

    def take(self, epoch: Epoch, trusted: bool) -> None:
        """One closed epoch, and whether the calendar trusts it: what it does not trust proves and disproves nothing."""
        dated = epoch.rmc if epoch.rmc is not None and epoch.rmc.date else epoch.zda
        if not trusted or dated is None or dated.date is None or dated.time_s is None:
            return
        utc = utc_ns(dated.date, dated.time_s)
        if utc is not None:
            self.add(utc, epoch.start_ns)

    def add(self, utc: int, at_ns: int) -> None:
        """One dated sentence: utc is what it names, at_ns the byte time of its first character."""
        offset = utc - at_ns
        if self._offsets and abs(offset - self._offsets[-1]) > AGREE_NS:
            self._offsets.clear()
        self._offsets.append(offset)
        if len(self._offsets) >= PROVED_COUNT:
            self.offset_ns = max(self._offsets)
            self.uncertainty_s = (self.offset_ns - min(self._offsets)) / 1e9 + RECEIVER_DELAY_S
