"""The receiver's schedule: each epoch against the moment at which its own UTC says that it should have come.

The lower edge of the delays (see edge) is the schedule; what lies above it is delay, of the receiver, the line or the
host. So an epoch that comes late is told from one that never comes (`Epoch.missing`, `Epochs.absent`), and neither the
slope between the clocks nor a rate that is uneven by design counts as delay.
"""

from __future__ import annotations

from appliance.measure.calendar import Calendar
from appliance.measure.edge import Edge
from appliance.measure.epoch import DAY_S, Epoch, elapsed_s
from appliance.measure.spread import Spread
from appliance.measure.trouble import Troubles

_ENOUGH = 5
"""Epochs before any is called late: the first ones may come from a buffer. Our choice."""
_STRAY_S = 0.2
"""An epoch by so much earlier than the edge shows that what it rested on was late: it is made anew. Our choice."""


class Pace:
    """Feed it each closed epoch after the calendar has taken it.

    late_most_s: by how much later than its time an epoch may come. late: epochs that came later; asked: epochs asked.
    delays: how far epochs came after their time; spans: from their first character to their last; both in seconds.
    """

    def __init__(
        self, troubles: Troubles, calendar: Calendar, late_most_s: float, arrival_measured: bool = True
    ) -> None:
        self.late = 0
        self.asked = 0
        self.delay_s: float | None = None
        self.delays = Spread()
        self.spans = Spread()
        self._troubles = troubles
        self._calendar = calendar
        self._late_most_s = late_most_s
        self._measured = arrival_measured
        self._edge = Edge()
        self._regime = -1
        self._time_s = 0.0
        self._at_ns = 0
        self._origin_ns = 0
        self._origin_s = 0.0
        self._run_s = 0.0
        self._late_since_ns: int | None = None
        self._worst_s = 0.0

    @property
    def offset_s(self) -> float | None:
        """The arrivals' clock less the receiver's UTC of day, of what is delayed least; within half a day of 0."""
        if not self._edge.count:
            return None
        offset_s = self._edge.at(self._run_s) + self._origin_ns / 1e9 - self._origin_s
        return (offset_s + DAY_S / 2) % DAY_S - DAY_S / 2

    @property
    def slope_ppm(self) -> float | None:
        """By how much the arrivals' clock gains on the receiver's; None until a minute tells it."""
        slope = self._edge.slope
        return None if slope is None else slope * 1e6

    def take(self, epoch: Epoch) -> None:
        """One closed epoch."""
        if not self._measured or epoch.time_s is None:
            return
        self.spans.add((epoch.end_ns - epoch.start_ns) / 1e9)
        calendar = self._calendar
        if not calendar.running.steady or calendar.running.at_ns != epoch.start_ns:
            return
        if calendar.regime != self._regime:
            self._begin(epoch, epoch.time_s)
        elif epoch.time_s == self._time_s:
            return  # a whole second told again: only the first time was it due
        else:
            self._run_s += self._ran_s(epoch, epoch.time_s)
        self._time_s, self._at_ns = epoch.time_s, epoch.start_ns
        self._ask(epoch)

    def _ran_s(self, epoch: Epoch, time_s: float) -> float:
        """UTC since the epoch before; after a long gap the arrivals tell the days."""
        step_s, gap_s = elapsed_s(self._time_s, time_s), (epoch.start_ns - self._at_ns) / 1e9
        return step_s + DAY_S * round((gap_s - step_s) / DAY_S)

    def _begin(self, epoch: Epoch, time_s: float) -> None:
        self._regime, self._edge = self._calendar.regime, Edge()
        self._origin_ns, self._origin_s, self._run_s = epoch.start_ns, time_s, 0.0

    def _ask(self, epoch: Epoch) -> None:
        delay_s = (epoch.start_ns - self._origin_ns) / 1e9 - self._run_s
        if self._edge.count and delay_s < self._edge.at(self._run_s) - _STRAY_S:
            self._edge = Edge()
        above_s = self._edge.add(self._run_s, delay_s)
        if self._edge.count < _ENOUGH:
            return
        self.asked += 1
        self.delay_s = above_s
        self.delays.add(above_s)
        if above_s <= self._late_most_s:
            self._late_since_ns = None
            self._troubles.fine("late", epoch.start_ns)
            return
        self.late += 1
        if self._late_since_ns is None:
            self._late_since_ns, self._worst_s = epoch.start_ns, 0.0
        self._worst_s = max(self._worst_s, above_s)
        self._troubles.lasts("late", self._late_since_ns, self._worst_s, needed=self._late_most_s)
