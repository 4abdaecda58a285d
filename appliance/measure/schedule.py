"""Jitter: how far arrivals lie from the schedule that they themselves keep.

The schedule is a period and a phase that follow the arrivals slowly (a second-order loop): so a slope between the
receiver's clock and this box's is taken out, a missing sentence does not count as jitter, and the first arrivals lock
it. The period starts as the median interval and is sought anew when the median says that the rate was changed.
"""

from __future__ import annotations

from collections import deque
from statistics import median

from appliance.measure.spread import Spread

_MEMORY = 31
"""Intervals from which the median is taken: odd, and six seconds at 5 Hz."""
_ENOUGH = 7
"""Intervals before a schedule is believed."""
_PHASE_GAIN = 0.1
_PERIOD_GAIN = 0.005
"""Gains of the loop: a time constant of ten intervals, critically damped (gain of the period = phase squared / 2)."""
_CHANGED = 0.05
"""The period is sought anew when the median interval departs from it by this share."""


class Schedule:
    """Feed it the arrivals of one message; `residuals` holds their distances from the schedule, in seconds."""

    __slots__ = ("_arrivals", "_intervals", "_last_ns", "_locked", "_period_ns", "_phase_ns", "residuals")

    def __init__(self) -> None:
        self.residuals = Spread()
        self._intervals: deque[int] = deque(maxlen=_MEMORY)
        self._last_ns = 0
        self._arrivals = 0
        self._period_ns = 0.0
        self._phase_ns = 0.0
        self._locked = 0

    def add(self, at_ns: int) -> None:
        """One arrival."""
        if self._arrivals:
            self._intervals.append(at_ns - self._last_ns)
        self._arrivals += 1
        self._last_ns = at_ns
        if len(self._intervals) < _ENOUGH:
            return
        if not self._period_ns or self._arrivals % 16 == 0:
            self._seek(at_ns)
        else:
            self._follow(at_ns)

    def _seek(self, at_ns: int) -> None:
        typical = float(median(self._intervals))
        if typical <= 0:
            self._period_ns = 0.0
        elif abs(typical - self._period_ns) > _CHANGED * typical:
            self._period_ns, self._phase_ns, self._locked = typical, float(at_ns), 0
        else:
            self._follow(at_ns)

    def _follow(self, at_ns: int) -> None:
        steps = max(1, round((at_ns - self._phase_ns) / self._period_ns))
        expected = self._phase_ns + steps * self._period_ns
        residual = at_ns - expected
        self._locked += 1
        gain = max(_PHASE_GAIN, 1 / (self._locked + 1))
        self._phase_ns = expected + gain * residual
        self._period_ns += _PERIOD_GAIN * residual / steps
        if self._locked > _ENOUGH:
            self.residuals.add(abs(residual) / 1e9)
