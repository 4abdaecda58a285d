"""What the fix's own figures do over time: corrections that age, satellites that go, dilution that rises.

A trend is told while there is still time: before the age, the count or the dilution reaches what the needs allow.
"""

from __future__ import annotations

from collections import deque
from statistics import median

from appliance.measure.epoch import Epoch
from appliance.measure.persistence import Persist
from appliance.measure.trouble import Troubles

CORRECTED = frozenset({2, 3, 4, 5, 7, 8, 9})
"""Qualities that may stand on corrections; 7, 8 and 9 as satellite services."""
AGING_FROM_S = 10.0
"""Ages of 4 to 7 s are normal for satellite services; beyond 10 s something is late. Half the limit where that is
less; half as much again as the age that is usually reached, where that is more. Our choice."""
AGING_WINDOW_S = 6.0
"""Corrections come at least so often where they come well: the least age of so long does not rise. Our choice."""
AGING_LAG_S = 10.0
AGING_GROWN_S = (4.0, 16.0)
"""The least age of the last 6 s against that of the 6 s that ended 10 s before: it has grown by 10 s where no
corrections come, give or take the teeth of the saw that it is usually like. Our choice."""
_BACK_SHARE = 0.5
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
        self._ages: deque[tuple[int, float]] = deque()
        self._peaks: deque[float] = deque(maxlen=_PEAKS)
        self.from_s = self._from(0.0)

    def forget(self) -> None:
        self._ages.clear()

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
            return
        age_s = gga.age_s
        if self._ages and age_s < _BACK_SHARE * self._ages[-1][1]:
            self._peaks.append(self._ages[-1][1])
            self.from_s = self._from(median(self._peaks))
        if not self._ages or at_ns - self._ages[-1][0] >= _AGES_APART_NS:
            self._ages.append((at_ns, age_s))
        while at_ns - self._ages[0][0] > _AGES_KEPT_NS:
            self._ages.popleft()
        if age_s >= self.from_s and self._grows(at_ns):
            left_s = max(0.0, self._most_s - age_s)
            self._aging.bad(at_ns, age_s, needed=self._most_s, figures={"in_s": left_s})
        elif not self._aging.told or age_s < self.from_s:
            self._aging.good(at_ns)

    def _grows(self, at_ns: int) -> bool:
        now, half, before = (self._least(at_ns - round(lag_s * 1e9)) for lag_s in (0.0, AGING_LAG_S / 2, AGING_LAG_S))
        if now is None or half is None or before is None:
            return False
        least_s, most_s = AGING_GROWN_S
        return least_s <= now - before <= most_s and before < half < now  # a leap is no growing

    def _least(self, to_ns: int) -> float | None:
        from_ns = to_ns - round(AGING_WINDOW_S * 1e9)
        return min((age_s for heard_ns, age_s in self._ages if from_ns <= heard_ns <= to_ns), default=None)


_AGES_APART_NS = 400_000_000  # as often as is of use, so that faster receivers cost no more
_AGES_KEPT_NS = round((AGING_WINDOW_S + AGING_LAG_S) * 1e9)


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
        self.values: deque[float] = deque(maxlen=int(TREND_NS / 1e9 * 50))
        self._times_ns: deque[int] = deque(maxlen=self.values.maxlen)
        self.usual = 0.0
        self._count = 0
        self._first_ns: int | None = None
        self._last_ns: int | None = None

    def forget(self) -> None:
        self.values.clear()
        self._times_ns.clear()
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
        self.values.append(value)
        self._times_ns.append(at_ns)
        while at_ns - self._times_ns[0] > TREND_NS:
            self.values.popleft()
            self._times_ns.popleft()

    @property
    def full(self) -> bool:
        """Whether enough was heard to tell a trend."""
        if self._first_ns is None or self._last_ns is None or len(self.values) < TREND_COUNT:
            return False
        covered_ns = self._last_ns - self._times_ns[0]
        return self._last_ns - self._first_ns >= HISTORY_NS and covered_ns >= TREND_COVERED * TREND_NS

    @property
    def most(self) -> float:
        return max(self.values)

    @property
    def least(self) -> float:
        return min(self.values)


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
        if gga.satellites > limit and not self._falling.told:  # as mostly: then so is the most of them
            self._falling.good(epoch.end_ns)
        elif recent.most <= limit and recent.usual - recent.most >= SATELLITES_FALL:
            figures = {"least": float(self._least)}
            self._falling.bad(epoch.end_ns, recent.most, needed=recent.usual, figures=figures)
        elif not self._falling.told or recent.least > limit or recent.usual - recent.most < SATELLITES_FALL:
            self._falling.good(epoch.end_ns)


HDOP_SHARE = 0.6
HDOP_RISE = 2.0
"""Told at 0.6 of what is allowed, when it is twice what was usual: real skies change by less. Our choice."""
HDOP_NEAR = 0.8
HDOP_RISE_NEAR = 1.5
"""And at 0.8 of it, when it is half as much again. Our choice."""
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
        near = max(HDOP_NEAR * self._most, HDOP_RISE_NEAR * recent.usual)
        limit = max(HDOP_SHARE * self._most, min(HDOP_RISE * recent.usual, near))
        if capped < limit and not self._rising.told:  # as mostly: then so is the least of them
            self._rising.good(epoch.end_ns)
        elif recent.least >= limit:
            figures = {"most": self._most}
            self._rising.bad(epoch.end_ns, recent.least, needed=recent.usual, figures=figures)
        elif not self._rising.told or recent.most < HDOP_BACK * limit:
            self._rising.good(epoch.end_ns)
