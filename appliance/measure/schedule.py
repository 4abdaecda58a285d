"""Jitter: how far arrivals lie from the schedule that they themselves keep.

The schedule is a period and a phase that follow the arrivals slowly: so a slope between the receiver's clock and this
box's is taken out, and a missing sentence does not count as jitter. It is an alpha-beta filter whose gains begin as
those of a least-squares line through all arrivals so far, and stop falling when their memory is long enough: so it
locks as soon as can be and does not keep the error of its start (gains: E. Brookner, Tracking and Kalman Filtering
Made Easy, 1998, from memory). A change of rate is told by the typical interval; the distances since are then forgotten.
"""

from __future__ import annotations

from collections import deque

from appliance.measure.spread import Spread

_MEMORY = 31
"""Intervals from which the typical one is taken: odd, and six seconds at 5 Hz."""
_ENOUGH = 7
"""Intervals before a schedule is believed, and arrivals before its distances are."""
_PHASE_GAIN = 0.05
_PERIOD_GAIN = 0.00125
"""Least gains of the loop: a time constant of twenty intervals (gain of the period = phase squared / 2). White jitter
of 1 then reads as 1.02, since the schedule itself wanders by 0.2."""
_CHANGED = 0.05
"""The schedule is sought anew when the typical interval departs from its period by this share."""
_LOOK = 4
_KEPT_BACK = _MEMORY // 2 + _LOOK + 1
"""Distances kept back until it is sure that the rate was not changed: a change is seen when half the memory is new, and
looked for every fourth arrival."""


class Schedule:
    """Feed it the arrivals of one message; `residuals` holds their distances from the schedule, in seconds.

    The last 20 distances are not among them yet. A distance is at most half a period: what is later than that lies
    nearer to the next place in the schedule.
    """

    __slots__ = (
        "_arrivals", "_farthest_s", "_intervals", "_kept_back", "_last_ns", "_locked", "_period_ns", "_phase_ns",
        "residuals",
    )  # fmt: skip

    def __init__(self) -> None:
        self.residuals = Spread()
        self._intervals: deque[int] = deque(maxlen=_MEMORY)
        self._kept_back: deque[float] = deque()
        self._last_ns = 0
        self._arrivals = 0
        self._period_ns = 0.0
        self._phase_ns = 0.0
        self._locked = 0
        self._farthest_s: float | None = None

    def take_farthest_s(self) -> float | None:
        """The greatest distance since this was last asked, the last ones included; None where there was none."""
        farthest_s, self._farthest_s = self._farthest_s, None
        return farthest_s

    def add(self, at_ns: int) -> None:
        """One arrival."""
        if self._arrivals:
            self._intervals.append(at_ns - self._last_ns)
        self._arrivals += 1
        self._last_ns = at_ns
        if len(self._intervals) < _ENOUGH:
            return
        if not self._period_ns or self._arrivals % _LOOK == 0:
            typical_ns = self._typical()
            if abs(typical_ns - self._period_ns) > _CHANGED * typical_ns:
                self._kept_back.clear()
                self._lock(at_ns, typical_ns)
                return
        if self._period_ns:
            self._follow(at_ns)

    def _typical(self) -> float:
        """The mean interval, where one in which sentences are missing counts as several; 0 where there is none."""
        ranked = sorted(self._intervals)
        half, odd = divmod(len(ranked), 2)
        middle = ranked[half] if odd else (ranked[half - 1] + ranked[half]) / 2
        if middle <= 0:
            return 0.0
        if middle / 2 < ranked[0] and ranked[-1] < 1.5 * middle:  # as mostly: each counts as one
            return sum(ranked) / len(ranked)
        steps = [max(0, round(interval / middle)) for interval in self._intervals]  # times in a log may step back
        return sum(interval for interval, count in zip(self._intervals, steps, strict=True) if count) / sum(steps)

    def _lock(self, at_ns: int, period_ns: float) -> None:
        self._period_ns, self._phase_ns, self._locked = period_ns, float(at_ns), 0

    def _follow(self, at_ns: int) -> None:
        steps = round((at_ns - self._phase_ns) / self._period_ns)
        if steps > _MEMORY:  # after so long a gap the period is known, the phase is not
            self._lock(at_ns, self._period_ns)
            return
        expected = self._phase_ns + steps * self._period_ns
        residual = at_ns - expected
        self._locked += 1
        n = self._locked
        falling = 2 / ((n + 1) * (n + 2))
        self._phase_ns = expected + max(_PHASE_GAIN, (2 * n + 1) * falling) * residual
        self._period_ns += max(_PERIOD_GAIN, 3 * falling) * residual / max(1, steps)
        if n > _ENOUGH:
            off_s = abs(residual) / 1e9
            self._farthest_s = max(off_s, self._farthest_s or 0.0)
            self._kept_back.append(off_s)
            if len(self._kept_back) > _KEPT_BACK:
                self.residuals.add(self._kept_back.popleft())
