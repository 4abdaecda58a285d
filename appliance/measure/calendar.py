"""Whether the date and time that a line tells can be true, and may date what is recorded.

The week of GPS is counted in ten bits: after 1024 weeks, 7168 days, it begins anew (1999-08-22, 2019-04-07, next
2038-11-21), and a receiver that was not made for it, or forgot, tells a date that is off by a whole multiple of 7168
days, with the time of day right. Against that stands the earliest date that there can be: no receiver tells truly a
date before this software was made. Where that is not known, as for an old recording, only a step of the date shows it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from appliance.measure.epoch import DAY_S, GAP_S, Epoch
from appliance.measure.running import Running
from appliance.measure.time import utc_ns
from appliance.measure.trouble import Troubles
from appliance.measure.zone import Zone
from appliance.sentence.types import RMC, ZDA

ROLL_DAYS = 7168
"""1024 weeks (IS-GPS-200)."""
RUNNING_COUNT = 2
"""A date is wrong when it is so twice running. Our choice: one may be garbled, and two come within a second or two."""
HELD_NS = 600_000_000_000
"""After a step of its clock that nothing excuses a receiver must run on for 10 minutes to be believed. Our choice."""
_BESIDE_NS = 3_000_000_000
_MIDNIGHT_S = 5.0
"""Near midnight the date of one sentence may lag behind its time, or behind that of another, for an epoch or two."""
_LEAD_NS = 10_000_000_000
_CLASH_S = 1.5
_UNTRUE_MODES = frozenset("EMSN")
"""Estimated, manual, simulated, not valid: by their mode letter."""

_KINDS = ("GGA", "RMC", "ZDA", "GLL")


@dataclass(slots=True)
class _Dated:
    """The last that one type told. utc_s: seconds since the year 1. odd: how often running its date did not follow."""

    day: date
    time_s: float
    at_ns: int
    utc_s: float
    odd: int = 0
    odd_since_ns: int = 0


class Calendar:
    """Feed it closed epochs in order.

    earliest: no receiver can truly tell a date before it; None where that is not known. rolled: the type that tells a
    rolled-over date -> (days off, date that it implies).
    """

    def __init__(self, troubles: Troubles, earliest: date | None = None, arrival_measured: bool = True) -> None:
        self.running = Running(troubles, arrival_measured)
        self.rolled: dict[str, tuple[int, date]] = {}
        self._troubles = troubles
        self._earliest = earliest
        self._lead = ""
        self._lead_ns = 0
        self._fix: bool | None = None
        self._fix_ns = 0
        self._now: dict[str, _Dated] = {}
        self._last: dict[str, _Dated] = {}
        self._told: list[tuple[str, date, float]] = []
        self._stepped_days = 0
        self._stepped_ns = 0
        self._early = 0
        self._early_since_ns = 0
        self._apart = 0
        self._apart_since_ns = 0
        self._clash = False
        self._zone = Zone(troubles)

    @property
    def steps(self) -> deque[tuple[int, float]]:
        """(arrival in ns, seconds by which UTC stepped against the arrivals), the last hundred, faults or not."""
        return self.running.steps

    @property
    def regime(self) -> int:
        """Counts up whenever the receiver's clock runs on from somewhere else."""
        return self.running.regime

    def take(self, epoch: Epoch) -> None:
        """One closed epoch."""
        self._note_fix(epoch)
        time_s = self._leading_time(epoch)
        if time_s is not None:
            self.running.take(epoch.start_ns, time_s, self._fix)
        told = self._told = list(_dates(epoch))
        for type_, day, at_s in told:
            self._now[type_] = _Dated(day, at_s, epoch.start_ns, day.toordinal() * DAY_S + at_s)
        for type_, _, _ in told:
            self._follow(type_, self._now[type_])
        if told:
            self._ask_earliest(epoch.start_ns)
            self._ask_agreement(epoch.start_ns)
            if not self.rolled:
                self._troubles.fine("date-rolled-over", epoch.start_ns)
        if epoch.zda is not None:
            self._zone.take(epoch.zda, epoch.start_ns)

    def trusted(self, epoch: Epoch) -> bool:
        """Whether the epoch taken last may date the history: a date, a fix, and nothing against its clock."""
        return (
            any(_may_date(epoch, type_) for type_, _, _ in self._told)
            and self.running.steady
            and not self.running.stopped
            and self._fix is not False
            and not self._clash
            and not self.rolled
            and not self._apart
            and not self._early
            and not self._astray(epoch.start_ns)
            and all(self._last[type_].odd == 0 for type_, _, _ in self._told)
        )

    def _astray(self, at_ns: int) -> bool:
        """Whether the clock stepped without excuse, and neither stepped back nor ran on long enough since."""
        told_ns = self.running.told_ns
        if told_ns is None:
            return False
        held_ns = HELD_NS if abs(self.running.astray_s) > _CLASH_S / 2 else _LEAD_NS
        return at_ns - told_ns < held_ns

    def _note_fix(self, epoch: Epoch) -> None:
        says = []
        if epoch.gga is not None and epoch.gga.quality is not None:
            says.append(epoch.gga.quality > 0)
        if epoch.rmc is not None and epoch.rmc.status is not None:
            says.append(epoch.rmc.status == "A")
        if says:
            self._fix, self._fix_ns = all(says), epoch.start_ns
        elif epoch.start_ns - self._fix_ns > _LEAD_NS:
            self._fix = None

    def _leading_time(self, epoch: Epoch) -> float | None:
        """UTC of the leading type: the first there is of GGA, RMC, ZDA, GLL, so that no two are mixed."""
        for type_ in _KINDS:
            content = epoch.contents.get(type_)
            time_s = getattr(content, "time_s", None)
            if time_s is None:
                continue
            lower = self._lead and _KINDS.index(type_) > _KINDS.index(self._lead)
            if lower and epoch.start_ns - self._lead_ns < _LEAD_NS:
                return None
            self._lead, self._lead_ns = type_, epoch.start_ns
            return float(time_s)
        return None

    def _follow(self, type_: str, now: _Dated) -> None:
        """Whether the date of a type follows on the one that it told before."""
        before = self._last.get(type_)
        if before is None:
            self._last[type_] = now
            return
        gap_s = (now.at_ns - before.at_ns) / 1e9
        off_days = round((now.utc_s - before.utc_s - gap_s) / DAY_S)
        rolls = round(off_days / ROLL_DAYS)
        if abs(off_days - rolls * ROLL_DAYS) > 1 or not rolls:
            rolls = 0
        elif gap_s <= GAP_S:
            rolls = rolls if off_days == rolls * ROLL_DAYS else 0
        lags = abs(off_days) == 1 and _near_midnight(now.time_s)
        if not off_days or lags or (gap_s > GAP_S and not rolls) or self._fix is False:
            self._last[type_] = now
            return
        before.odd += 1
        before.odd_since_ns = before.odd_since_ns if before.odd > 1 else now.at_ns
        if before.odd >= RUNNING_COUNT:
            self._stepped(type_, before, now, off_days, rolls)
            self._last[type_] = now

    def _stepped(self, type_: str, before: _Dated, now: _Dated, off_days: int, rolls: int) -> None:
        """A date that did not follow, twice running. Where RMC and ZDA both tell it, it is told once; and a step of
        one of them alone is left to their disagreement, unless it is that of the week."""
        since_ns = before.odd_since_ns
        if rolls < 0:
            self._roll(type_, now.day, -rolls, since_ns)
            return
        if self.rolled or (rolls and self._earliest and before.day < self._earliest):
            self.rolled.pop(type_, None)
            return
        told = off_days == self._stepped_days and now.at_ns - self._stepped_ns < _BESIDE_NS
        other = self._last.get("ZDA" if type_ == "RMC" else "RMC")
        alone = other is not None and not other.odd and now.at_ns - other.at_ns < _BESIDE_NS
        if told or (alone and not rolls):
            return
        self._stepped_days, self._stepped_ns = off_days, now.at_ns
        if rolls > 0:
            true = before.day + timedelta(days=rolls * ROLL_DAYS)
            figures = {"says": before.day.isoformat(), "implies": true.isoformat(), "type": type_}
            days = float(rolls * ROLL_DAYS)
            self._troubles.once("date-rolled-over", since_ns, days, needed=0.0, note="ended", figures=figures)
            return
        step_s = off_days * DAY_S
        kind = "clock-jump" if off_days > 0 else "clock-back"
        self._troubles.once(kind, since_ns, abs(step_s), needed=0.0, note="days", figures={"step_s": step_s})
        self.running.told_ns, self.running.astray_s = now.at_ns, self.running.astray_s + step_s

    def _roll(self, type_: str, says: date, rolls: int, since_ns: int) -> None:
        implies = says + timedelta(days=rolls * ROLL_DAYS)
        self.rolled[type_] = rolls * ROLL_DAYS, implies
        figures = {"says": says.isoformat(), "implies": implies.isoformat(), "type": type_}
        self._troubles.lasts("date-rolled-over", since_ns, float(rolls * ROLL_DAYS), needed=0.0, figures=figures)

    def _ask_earliest(self, at_ns: int) -> None:
        """A date before the earliest is one that rolled over, as often as it takes to be true."""
        if self._earliest is None:
            return
        early = {
            type_: last.day
            for type_, last in self._now.items()
            if last.at_ns == at_ns and last.day < self._earliest - timedelta(days=1)
        }
        if not early or self._fix is False:
            if not early:
                self._early = 0
                self.rolled = {type_: way for type_, way in self.rolled.items() if self._now[type_].at_ns != at_ns}
            return
        self._early += 1
        self._early_since_ns = self._early_since_ns if self._early > 1 else at_ns
        if self._early >= RUNNING_COUNT:
            for type_, day in early.items():
                self._roll(type_, day, -((day - self._earliest).days // ROLL_DAYS), self._early_since_ns)

    def _ask_agreement(self, at_ns: int) -> None:
        """Whether RMC and ZDA tell the same day, and about the same time."""
        rmc, zda = self._now.get("RMC"), self._now.get("ZDA")
        if rmc is None or zda is None or abs(rmc.at_ns - zda.at_ns) > _BESIDE_NS:
            self._clash = False
            return
        apart_s = rmc.utc_s - zda.utc_s - (rmc.at_ns - zda.at_ns) / 1e9
        days = round(apart_s / DAY_S)
        self._clash = abs(apart_s) > _CLASH_S
        if not days:
            self._apart = 0
            self._troubles.fine("date-disagrees", at_ns)
            return
        if _near_midnight(rmc.time_s):
            return
        self._apart += 1
        self._apart_since_ns = self._apart_since_ns if self._apart > 1 else at_ns
        if self._apart < RUNNING_COUNT:
            return
        if days % ROLL_DAYS == 0:  # the later of the two is true
            type_, behind = ("ZDA", zda) if days > 0 else ("RMC", rmc)
            self._roll(type_, behind.day, abs(days) // ROLL_DAYS, self._apart_since_ns)
        else:
            figures = {"RMC": rmc.day.isoformat(), "ZDA": zda.day.isoformat()}
            since_ns, apart = self._apart_since_ns, float(abs(days))
            self._troubles.lasts("date-disagrees", since_ns, apart, needed=0.0, figures=figures)


def _near_midnight(time_s: float) -> bool:
    return min(time_s, abs(DAY_S - time_s)) <= _MIDNIGHT_S


def _dates(epoch: Epoch) -> Iterator[tuple[str, date, float]]:
    """(type, date, UTC of day) of what tells a day that can be: not the 31st of February, nor one of the year 9999."""
    for type_, content in (("RMC", epoch.rmc), ("ZDA", epoch.zda)):
        if content is None or content.date is None or content.time_s is None:
            continue
        if utc_ns(content.date, 0.0) is not None:
            yield type_, date(*content.date), content.time_s


def _may_date(epoch: Epoch, type_: str) -> bool:
    content = epoch.contents.get(type_)
    return isinstance(content, ZDA) or (
        isinstance(content, RMC) and content.status == "A" and content.mode not in _UNTRUE_MODES
    )
