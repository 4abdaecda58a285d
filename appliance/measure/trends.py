"""What the fix's own figures do over time: corrections that age, satellites that go, dilution that rises.

A trend is told while there is still time: before the age, the count or the dilution reaches what the needs allow.
"""

from __future__ import annotations

from collections import deque
from statistics import median

from appliance.measure.epoch import Epoch
from appliance.measure.persistence import FORGET_NS, Persist
from appliance.measure.trouble import Troubles

CORRECTED = frozenset({2, 3, 4, 5, 7, 8, 9})
"""Qualities that may stand on corrections; 7, 8 and 9 as satellite services."""
AGING_FROM_S = 10.0
"""Ages of 4 to 7 s are normal for satellite services; beyond 10 s something is late. Half the limit where that is
less; half as much again as the age that is usually reached, where that is more. Our choice."""
AGING_RUN_S = 5.0
"""For so long the age must have grown second by second. Our choice."""
AGING_SLACK_S = 1.6
"""Ages come in whole seconds, and arrivals are late at times. Our choice."""
_AGE_BACK_S = 0.5
_PEAK_SHARE = 0.9
_PEAKS = 20


class Aging:
    """corrections-aging: the age grows second by second and will reach the limit; measured and needed: s.

    Figures: in_s, the time left until then (0 when it is reached).
    """

    def __init__(self, troubles: Troubles, age_most_s: float) -> None:
        self._aging = Persist(troubles, "corrections-aging", 1, 0)
        self.persists = [self._aging]
        self._most_s = age_most_s
        self._run: tuple[float, int] | None = None
        self._last: tuple[float, int] | None = None
        self._peaks: deque[float] = deque(maxlen=_PEAKS)
        self.from_s = self._from(0.0)

    def forget(self) -> None:
        self._run = self._last = None

    def _from(self, peak_s: float) -> float:
        """The age from which growing is told, where it usually reaches peak_s."""
        usual_s = 1.5 * peak_s + 1.0
        return min(max(min(AGING_FROM_S, self._most_s / 2), usual_s), _PEAK_SHARE * self._most_s)

    def take(self, epoch: Epoch) -> None:
        gga, at_ns = epoch.gga, epoch.end_ns
        if gga is None or gga.quality is None:
            return
        if gga.quality not in CORRECTED:
            self.forget()
            self._aging.good(at_ns)
            return
        if gga.age_s is None:
            if self._last is not None and at_ns - self._last[1] > FORGET_NS:
                self.forget()
            return
        age_s, last = gga.age_s, self._last
        self._last = age_s, at_ns
        if last is not None and age_s < last[0] - _AGE_BACK_S:
            self._peaks.append(last[0])
            self.from_s = self._from(median(self._peaks))
            self._run = None
        if self._run is not None:
            behind_s = (at_ns - self._run[1]) / 1e9 - (age_s - self._run[0])
            if abs(behind_s) > AGING_SLACK_S:  # it stands still, or leapt
                self._run = None
        if self._run is None:
            self._run = age_s, at_ns
        grown_s = age_s - self._run[0]
        if grown_s >= AGING_RUN_S and age_s >= self.from_s:
            left_s = max(0.0, self._most_s - age_s)
            self._aging.bad(at_ns, age_s, needed=self._most_s, figures={"in_s": left_s})
        elif not self._aging.told or age_s < self.from_s:
            self._aging.good(at_ns)


TREND_NS = 5_000_000_000
"""A trend must hold in every epoch of 5 s: blips are shorter. Our choice."""
TREND_COVERED = 0.75
TREND_COUNT = 3
USUAL_S = 600.0
"""What is usual is the mean of about the last ten minutes. Our choice."""
HISTORY_NS = 30_000_000_000
"""For so long a figure must have been heard before it can have changed. Our choice."""


class Recent:
    """The last 5 s of a figure, and what it usually was."""

    def __init__(self) -> None:
        self.values: deque[tuple[int, float]] = deque(maxlen=int(TREND_NS / 1e9 * 50))
        self.usual = 0.0
        self._count = 0
        self._first_ns: int | None = None
        self._last_ns: int | None = None

    def forget(self) -> None:
        self.values.clear()
        self._last_ns = None

    def add(self, value: float, at_ns: int, unusual: bool) -> None:
        """One figure. unusual: a trend is being told, which only slowly becomes usual."""
        self._count += 1
        if self._first_ns is None:
            self._first_ns = at_ns
        apart_s = 0.0 if self._last_ns is None else (at_ns - self._last_ns) / 1e9
        share = min(1.0, apart_s / USUAL_S)
        self.usual += (value - self.usual) * (share if unusual else max(1 / self._count, share))
        self._last_ns = at_ns
        self.values.append((at_ns, value))
        while at_ns - self.values[0][0] > TREND_NS:
            self.values.popleft()

    @property
    def full(self) -> bool:
        """Whether enough was heard to tell a trend."""
        if self._first_ns is None or self._last_ns is None or len(self.values) < TREND_COUNT:
            return False
        covered_ns = self._last_ns - self.values[0][0]
        return self._last_ns - self._first_ns >= HISTORY_NS and covered_ns >= TREND_COVERED * TREND_NS

    @property
    def most(self) -> float:
        return max(value for _, value in self.values)

    @property
    def least(self) -> float:
        return min(value for _, value in self.values)


SATELLITES_SPARE = 1
SATELLITES_FALL = 4.0
"""Told at one more than needed, when four or more have gone: a count that rises and falls is usual. Our choice."""


class Satellites:
    """satellites-falling: those in use have gone, and hardly one more than needed is left.

    measured: most of the last 5 s; needed: what was usual. Figures: least, as the needs have it.
    """

    def __init__(self, troubles: Troubles, satellites_least: int) -> None:
        self._falling = Persist(troubles, "satellites-falling", 1, 0)
        self.persists = [self._falling]
        self._least = satellites_least
        self._recent = Recent()

    def forget(self) -> None:
        self._recent.forget()

    def take(self, epoch: Epoch) -> None:
        gga = epoch.gga
        if gga is None or not gga.quality or gga.satellites is None:
            return
        recent = self._recent
        recent.add(gga.satellites, epoch.end_ns, self._falling.told)
        if not recent.full:
            return
        limit = self._least + SATELLITES_SPARE
        if recent.most <= limit and recent.usual - recent.most >= SATELLITES_FALL:
            figures = {"least": float(self._least)}
            self._falling.bad(epoch.end_ns, recent.most, needed=recent.usual, figures=figures)
        elif not self._falling.told or recent.least > limit or recent.usual - recent.most < SATELLITES_FALL:
            self._falling.good(epoch.end_ns)


HDOP_SHARE = 0.6
HDOP_RISE = 2.0
"""Told at 0.6 of what is allowed, when it is twice what was usual: real skies change by less. Our choice."""
HDOP_BACK = 0.8
"""It has come back when it stays below so much of that: at the limit it wavers. Our choice."""


class Hdop:
    """hdop-rising: the dilution is twice the usual one and nears what is allowed.

    measured: least of the last 5 s; needed: what was usual. Figures: most, as the needs have it.
    """

    def __init__(self, troubles: Troubles, hdop_most: float) -> None:
        self._rising = Persist(troubles, "hdop-rising", 1, 0)
        self.persists = [self._rising]
        self._most = hdop_most
        self._recent = Recent()

    def forget(self) -> None:
        self._recent.forget()

    def take(self, epoch: Epoch) -> None:
        gga = epoch.gga
        if gga is None or not gga.quality or gga.hdop is None:
            return
        recent = self._recent
        capped = min(gga.hdop, 2 * self._most)  # a blip of 99.99 must not move what is usual
        recent.add(capped, epoch.end_ns, self._rising.told)
        if not recent.full:
            return
        limit = max(HDOP_SHARE * self._most, HDOP_RISE * recent.usual)
        if recent.least >= limit:
            figures = {"most": self._most}
            self._rising.bad(epoch.end_ns, recent.least, needed=recent.usual, figures=figures)
        elif not self._rising.told or recent.most < HDOP_BACK * limit:
            self._rising.good(epoch.end_ns)
