"""How a receiver's clock runs: on, or does it stop, go back, jump, or step by the leap seconds.

What is asked is the UTC of one type (the first there is of GGA, RMC, ZDA, GLL) against the arrivals. A late sentence is
no step: its UTC follows on the one before, however late it is. So a step needs two things that do not fit the usual
step from one epoch to the next: UTC went back, or it went ahead both by more than the usual and by more than the
arrivals allow; and the next epoch tells whether the clock runs on from there or was wrong for one sentence only.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import median

from appliance.measure.epoch import DAY_S, GAP_S, elapsed_s
from appliance.measure.trouble import Troubles

KINDS = ("clock-stopped", "clock-back", "clock-jump", "clock-late")
SWING_S = 0.75
"""By so much may the delay of a healthy line change: half a second in the receiver, the host, a margin."""
STOPPED_S = 1.7
"""A clock that says the same for longer has stopped: two seconds at 1 Hz, less the receiver's swing. A receiver that
tells whole seconds says each for 0.8 s at 5 Hz, and a doubled leap second stands for one."""
_STOPPED_COUNT = 3
LEAP_MOST_S = 20
"""A receiver that learns its leap seconds steps back by a whole number of them: by 18 at most today (GPS - UTC since
2017-01-01, IERS Bulletin C 52, from memory), some more for years to come."""
LEAP_TOTALS_S = range(13, LEAP_MOST_S)
"""One that forgets them steps ahead by all of them: 13 in 1999, 18 since 2017 (IERS, from memory)."""
WARM_S = 5.0
"""For so long after it found its fix, or the line was joined, a receiver may put its clock right. Our choice."""
_MIDNIGHT_S = 3.0
_LEAP_SLACK_S = 0.4
_SKEW = 500e-6
_WHOLE_S = 0.01
_KEPT = 9
_USUAL_LEAST = 3
_STEPS_KEPT = 100
_BUCKET_NS = 30_000_000_000
_TOLD_AGAIN_NS = 10_000_000_000
_STRAY_S = 1.2
"""A sentence whose time went astray and back is told once no other did so for this long: one that does so again and
again is another receiver's on the same line (see sources). Our choice: receivers speak once a second and more."""
_BACK_S = 0.02
_AHEAD_SHARE = 1.5


@dataclass(slots=True)
class _Place:
    """Where the clock was: UTC of day, the arrival, and both as seconds that run on over days (utc - arrival)."""

    time_s: float
    at_ns: int
    lead_s: float


@dataclass(slots=True)
class _Sudden:
    """A step not yet confirmed. excused: the receiver had no fix, or has just found it."""

    place: _Place
    size_s: float
    excused: bool


class Running:
    """Feed it the UTC of day of each epoch and its arrival.

    steps: (when, by how many seconds UTC stepped against the arrivals), the last hundred. regime: counts up whenever
    the clock runs on from somewhere else. told_ns: when last a step was told after which the clock is in doubt; None
    where none is. astray_s: the sum of the steps told.
    steady: whether the last epoch followed on the one before. at_ns: its arrival.
    """

    def __init__(self, troubles: Troubles, arrival_measured: bool = True) -> None:
        self.steps: deque[tuple[int, float]] = deque(maxlen=_STEPS_KEPT)
        self.regime = 0
        self.astray_s = 0.0
        self.told_ns: int | None = None
        self.steady = False
        self.at_ns = 0
        self._troubles = troubles
        self._measured = arrival_measured
        self._place: _Place | None = None
        self._begun_ns = 0
        self._fix_since_ns: int | None = None
        self._steps_s: deque[float] = deque(maxlen=_KEPT)
        self._runs: deque[int] = deque(maxlen=_KEPT)
        self._run = 1
        self._run_since_ns = 0
        self._held = 0
        self._stopped_s = 0.0
        self._sudden: _Sudden | None = None
        self._stray: _Sudden | None = None
        self._strayed_ns: int | None = None
        self._best = [0.0, 0.0]
        self._bucket_ns = 0

    def take(self, at_ns: int, time_s: float, fix: bool | None) -> None:
        """One epoch. fix: whether the receiver claims one; None where nothing tells."""
        place = self._place
        self._note_fix(at_ns, fix)
        if place is None:
            self._begin(_Place(time_s, at_ns, 0.0))
        elif at_ns - self.at_ns > GAP_S * 1e9:
            self._resume(place, at_ns, time_s)
        elif self._sudden is not None:
            self._settle(place, self._sudden, at_ns, time_s)
        else:
            self._run_on(place, at_ns, time_s)
        self.at_ns = at_ns

    @property
    def stopped(self) -> bool:
        """Whether the clock stands."""
        return self._stopped_s > 0

    def _note_fix(self, at_ns: int, fix: bool | None) -> None:
        if fix is False:
            self._fix_since_ns = None
        elif self._fix_since_ns is None:
            self._fix_since_ns = at_ns

    def _begin(self, place: _Place) -> None:
        self._place, self._begun_ns = place, place.at_ns
        self._best, self._bucket_ns = [place.lead_s, place.lead_s], place.at_ns
        self._repeat_from(place.at_ns)
        self._sudden, self.steady = None, False

    def _repeat_from(self, at_ns: int) -> None:
        self._run, self._run_since_ns, self._held, self._stopped_s = 1, at_ns, 0, 0.0

    def _move(self, place: _Place, at_ns: int, time_s: float) -> _Place:
        return _Place(time_s, at_ns, place.lead_s + elapsed_s(place.time_s, time_s) - (at_ns - place.at_ns) / 1e9)

    def _usual_s(self) -> float | None:
        return median(self._steps_s) if len(self._steps_s) >= _USUAL_LEAST else None

    def _resume(self, place: _Place, at_ns: int, time_s: float) -> None:
        """After a gap: the same clock, if it ran on meanwhile; else whatever it says now is where it begins."""
        gap_s = (at_ns - place.at_ns) / 1e9
        strayed_s = (time_s - place.time_s - gap_s + DAY_S / 2) % DAY_S - DAY_S / 2
        self._troubles.fine("clock-stopped", at_ns) if self.stopped else None
        if abs(place.lead_s + strayed_s - max(self._best)) > SWING_S + _SKEW * gap_s:
            self.regime += 1
            self._begin(_Place(time_s, at_ns, 0.0))
            return
        self._begin(_Place(time_s, at_ns, place.lead_s + strayed_s))

    def _run_on(self, place: _Place, at_ns: int, time_s: float) -> None:
        step_s, gap_s = elapsed_s(place.time_s, time_s), (at_ns - self.at_ns) / 1e9
        usual_s = self._usual_s()
        if abs(step_s) < 0.001:
            self._repeat(at_ns, gap_s, usual_s)
            return
        went = self._move(place, at_ns, time_s)
        ahead = step_s > _AHEAD_SHARE * (usual_s or gap_s) and went.lead_s - place.lead_s > SWING_S
        if step_s < -_BACK_S or (ahead and went.lead_s - max(self._best) > SWING_S and not self.stopped):
            self._sudden = _Sudden(went, self._size(step_s, gap_s, usual_s), not self._warm(place.at_ns))
            self.steady = False
            return
        self._end_run(went, step_s, usual_s)
        if time_s < place.time_s and abs(went.lead_s - place.lead_s + 1) < _LEAP_SLACK_S:
            self._accept(
                went, 0.0
            )  # a leap second of which nothing was sent, or a late epoch, to which it does no harm
        self._follow(went, step_s)

    def _warm(self, at_ns: int) -> bool:
        since_ns = self._fix_since_ns
        return since_ns is not None and at_ns - max(since_ns, self._begun_ns) >= WARM_S * 1e9

    def _size(self, step_s: float, gap_s: float, usual_s: float | None) -> float:
        """By how much UTC stepped, beside the epochs that passed: one, unless the gap is clearly that of several."""
        if usual_s is None or self._whole_seconds():
            return step_s - gap_s
        epochs = 1 if gap_s <= usual_s + SWING_S or not self._measured else round(gap_s / usual_s)
        return step_s - epochs * usual_s

    def _whole_seconds(self) -> bool:
        """Whether each second is usually told several times."""
        return bool(self._runs) and median(self._runs) > 1

    def _repeat(self, at_ns: int, gap_s: float, usual_s: float | None) -> None:
        """The same UTC again."""
        self._run += 1
        self._held += bool(usual_s and gap_s >= usual_s / 2)
        stands_s = (at_ns - self._run_since_ns) / 1e9
        stopped = stands_s >= STOPPED_S
        usual_run = max(self._runs, default=1)
        if not self._measured:  # then the arrivals are made of the UTC itself, and only counting tells
            stands_s = (self._run - 1) * (usual_s or 1.0) / usual_run
            stopped = self._run > 3 * usual_run + 2
        if stopped and self._run >= _STOPPED_COUNT and self._warm(at_ns):
            self._stopped_s = stands_s
            self.steady = False
            self._troubles.lasts("clock-stopped", self._run_since_ns, stands_s, needed=STOPPED_S)

    def _end_run(self, went: _Place, step_s: float, usual_s: float | None) -> None:
        """UTC runs again: if from where it stood, it is behind by as long as it stood."""
        behind = usual_s is not None and step_s <= _AHEAD_SHARE * usual_s
        held = self._held if len(self._runs) >= _USUAL_LEAST and max(self._runs) == 1 and not self.stopped else 0
        if self.stopped:
            if behind:
                self._accept(went, -self._stopped_s)
        elif behind and held and usual_s is not None and held * usual_s >= 0.5 and self._measured:
            self._tell(_Sudden(went, -held * usual_s, not self._warm(went.at_ns)))
            self._accept(went, -held * usual_s)
        self._runs.append(self._run)
        self._repeat_from(went.at_ns)

    def _follow(self, place: _Place, step_s: float) -> None:
        self._place, self.steady = place, True
        if step_s > 0:
            self._steps_s.append(step_s)
        if place.at_ns - self._bucket_ns > _BUCKET_NS:
            self._best, self._bucket_ns = [self._best[1], place.lead_s], place.at_ns
        self._best[1] = max(self._best[1], place.lead_s)
        stray = self._stray
        if stray is not None and place.at_ns - stray.place.at_ns >= _STRAY_S * 1e9:
            self._stray = None
            self._tell(stray, stays=False)
        if self._warm(place.at_ns):
            for kind in KINDS:
                self._troubles.fine(kind, place.at_ns)

    def _settle(self, place: _Place, sudden: _Sudden, at_ns: int, time_s: float) -> None:
        """The epoch after a step tells whether the clock runs on from there."""
        step_s, gap_s = elapsed_s(sudden.place.time_s, time_s), (at_ns - self.at_ns) / 1e9
        back_s, since_s = elapsed_s(place.time_s, time_s), (at_ns - place.at_ns) / 1e9
        self._sudden = None
        runs_on = -0.001 < step_s <= max(gap_s + SWING_S, _AHEAD_SHARE * (self._usual_s() or 0.0))
        if not runs_on and back_s > 0 and abs(back_s - since_s) <= SWING_S:
            again = self._strayed_ns is not None and at_ns - self._strayed_ns <= _TOLD_AGAIN_NS
            self._stray, self._strayed_ns = (None if again else sudden), at_ns
            self._repeat_from(at_ns)
            self._follow(self._move(place, at_ns, time_s), 0.0)
            return
        self._tell(sudden)
        self._accept(sudden.place, sudden.size_s)
        self._repeat_from(sudden.place.at_ns)
        self._run_on(sudden.place, at_ns, time_s)

    def _accept(self, place: _Place, size_s: float) -> None:
        """The clock runs on from here."""
        self.regime += 1
        if size_s:
            self.steps.append((place.at_ns, size_s))
        self._best, self._bucket_ns = [place.lead_s, place.lead_s], place.at_ns
        self._place = place

    def _tell(self, sudden: _Sudden, stays: bool = True) -> None:
        """Names a step. One of a second back at midnight is a leap second sent twice; one that takes back what was
        told before ends it, and is no other fault."""
        size_s, at_ns, time_s = sudden.size_s, sudden.place.at_ns, sudden.place.time_s
        whole = round(size_s) if abs(size_s - round(size_s)) < _WHOLE_S else 0
        if sudden.excused or (whole == -1 and min(time_s, abs(DAY_S - time_s)) <= _MIDNIGHT_S):
            return
        if stays and abs(self.astray_s + size_s) < min(SWING_S, abs(self.astray_s) / 2):
            self.astray_s, self.told_ns = 0.0, None
            return
        late = stays and (-LEAP_MOST_S <= whole < 0 or whole in LEAP_TOTALS_S)
        kind = "clock-late" if late else "clock-back" if size_s < 0 else "clock-jump"
        measured_s = abs(whole) if late else abs(size_s)
        self._troubles.once(kind, at_ns, measured_s, needed=0.0, figures={"step_s": size_s})
        self.astray_s += size_s if stays else 0.0
        if not late or size_s > 0:  # one that has learned its leap seconds is right from then on
            self.told_ns = at_ns
