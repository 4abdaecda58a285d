"""Whether the position runs on: each step against what speed and the steps before it foretell."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from appliance.measure.geodesy import Step, step_between, way
from appliance.measure.promise import Promise

CHANGE_S = 3.0
"""For how long after a change of quality its step may come: some receivers step an epoch later, some slide."""
SETTLE_S = 20.0
"""For how long after a change of quality the position may go on sliding to where the new fix has it. Ours."""
PROMISE_SIGMAS = 3.5
"""Of a fix's horizontal error: a step within it at a change of quality is what both promise (1 in 200,000 is beyond,
if errors are normal)."""
REST_S = 0.5
"""A position that has gone over to a new fix, and then stays with the speed for so long, has arrived: it steps no more.
Ours."""
LEAST_M = 0.3
"""Steps off by less are never told. Ours."""
_BEFORE_S = 1.0
_STEEP_MPS2, _STEEP_S = 2.0, 0.3
"""What a machine may speed up or turn by, and for how much longer than from one epoch to the next. Ours."""
STILL_MPS = 0.15
"""Up to this a speed is zero: receivers show 0.03 m/s RMS at a standstill. Ours."""
SLOW_ALLOWED_MPS = 0.4
FROZEN_S = 2.0
FROZEN_M = 1.5
"""The same position for FROZEN_S, and for FROZEN_M that the speed says were gone, is frozen: receivers that compute
less often than they send repeat a position for up to a second. Ours."""
FROZEN_GRAINS = 3.0
_CAUGHT_UP_SHARE = 0.15
_MIRROR_M = 100.0
"""A position that lies no further from the last one, but for its side, is the same in the mirror. Ours."""
_DOUBT_SHARE = 0.25
"""A speed that was off by this share of the last step, and more than fix and decimals allow, foretells nothing: then
the next step is held against what a machine can do. That the speed is wrong is told elsewhere. Ours."""


@dataclass(slots=True)
class Place:
    """One position of the line. told: the sum of the told velocity so far, None where none is told.

    grain_m: what its last decimal that tells something is worth; rough_m: the same, if none of its zeros were chance.
    """

    t_s: float
    at_ns: int
    latitude_deg: float
    longitude_deg: float
    quality: int | None
    promise: Promise
    grain_m: float
    told: Step | None
    velocity: tuple[float, float]
    rough_m: float = 0.0

    @property
    def position(self) -> tuple[float, float]:
        return self.latitude_deg, self.longitude_deg


@dataclass(slots=True)
class Jump:
    """off_m: by how much the step is off; allowed_m; quality before and after; whether the fix changed there."""

    at_ns: int
    off_m: float
    allowed_m: float
    before: int | None
    after: int | None
    changed: bool


class Steps:
    """The positions of one line, in order."""

    def __init__(self) -> None:
        self.largest_m: float | None = None
        self.compared = False
        """Whether the last position had one before it to be compared with."""
        self.frozen_since: Place | None = None
        """The first of several identical positions, the last included; None where the last two differ."""
        self._moved_s = self._moved_m = 0.0
        self._places: deque[Place] = deque(maxlen=64)
        self._paces: deque[tuple[float, float]] = deque(maxlen=2)
        self._changed_s = -math.inf
        self._change: tuple[int | None, int | None] = (None, None)
        self._change_m = 0.0
        self._from: Place | None = None
        """The last position of the fix before, until the new one has arrived."""
        self._doubted = False
        self._doubtful: Jump | None = None

    def restart(self) -> None:
        self._places.clear()
        self._paces.clear()
        self.frozen_since = self._from = self._doubtful = None
        self._changed_s = -math.inf

    @property
    def last(self) -> Place | None:
        return self._places[-1] if self._places else None

    def righted(self, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
        """The position, on the side of the globe where the last one was, if only its side (N, S, E, W) is another.

        That is told as such: it is no jump round the globe, nor a way in the mirror.
        """
        last = self.last
        if last is None or (last.latitude_deg * latitude_deg >= 0 and last.longitude_deg * longitude_deg >= 0):
            return latitude_deg, longitude_deg
        righted = math.copysign(latitude_deg, last.latitude_deg), math.copysign(longitude_deg, last.longitude_deg)
        only_side = way(*last.position, *righted).distance_m < _MIRROR_M
        far = way(*last.position, latitude_deg, longitude_deg).distance_m > 10 * _MIRROR_M
        return righted if only_side and far else (latitude_deg, longitude_deg)

    def since_change_s(self, t_s: float) -> float:
        """How long ago the quality last changed."""
        return t_s - self._changed_s

    def settle_m(self, t_s: float) -> float:
        """How far the position may still slide since the quality last changed."""
        return self._change_m if t_s - self._changed_s < SETTLE_S else 0.0

    def settled(self) -> None:
        """Both ways agree since the quality changed: nothing slides any more."""
        self._change_m = 0.0

    def add(self, place: Place, speed_mps: float | None) -> Jump | None:
        """One more; None where it runs on. speed_mps: the least that is told of it now.

        A step that may be that of a machine which sets off, while the speed stays at zero, is told with the next one:
        if that stays with the speed, it was a jump.
        """
        last = self.last
        self.compared = last is not None
        if last is None:
            self._places.append(place)
            return None
        if last.quality != place.quality:
            self._note_change(last, place)
        jump = self._judge(last, place)
        self._note_frozen(last, place, speed_mps)
        jumped = jump if jump.off_m > jump.allowed_m else None
        doubtful, self._doubtful = self._doubtful, None
        if doubtful is not None and jumped is None and not self._doubted:
            jumped = doubtful
        elif jumped is not None and self._may_set_off(last, place, jumped):
            jumped, self._doubtful = None, jumped
        if jumped is not None:
            self._places.clear()
            self.largest_m = max(self.largest_m or 0.0, jumped.off_m)
        self._places.append(place)
        while place.t_s - self._places[0].t_s > _BEFORE_S and len(self._places) > 3:
            self._places.popleft()
        return jumped

    def _may_set_off(self, last: Place, place: Place, jump: Jump) -> bool:
        seconds = place.t_s - last.t_s
        stands = place.told is not None and math.hypot(*place.velocity) < STILL_MPS
        return stands and jump.off_m <= steep_mps(seconds) * seconds

    def frozen(self, place: Place) -> bool:
        """Whether the position stands while the speed says that the machine moves."""
        return self._moved_s >= FROZEN_S and self._moved_m >= FROZEN_M + FROZEN_GRAINS * place.grain_m

    @property
    def standing_still(self) -> bool:
        """Whether the position repeats while it should move: nothing should be compared with it."""
        return self._moved_m > 0

    def _note_change(self, last: Place, place: Place) -> None:
        both_m = PROMISE_SIGMAS * math.hypot(last.promise.error_m, place.promise.error_m)
        recent = place.t_s - self._changed_s < SETTLE_S
        self._change_m = max(self._change_m, both_m) if recent else both_m
        self._changed_s = place.t_s
        self._from = last
        self._change = (last.quality, place.quality)

    def _note_frozen(self, last: Place, place: Place, speed_mps: float | None) -> None:
        if last.position != place.position:
            self.frozen_since = None
            self._moved_s = self._moved_m = 0.0
            return
        self.frozen_since = self.frozen_since or last
        if speed_mps is not None and speed_mps > SLOW_ALLOWED_MPS:
            self._moved_s += place.t_s - last.t_s
            self._moved_m += speed_mps * (place.t_s - last.t_s)

    def _judge(self, last: Place, place: Place) -> Jump:
        seconds = place.t_s - last.t_s
        step = step_between(*last.position, *place.position)
        # The same position again is no jump; whether it is frozen is another question.
        offs = self._foretold(last, place, step) if step != (0.0, 0.0) else [0.0]
        self._paces.append((step.north_m / seconds, step.east_m / seconds))
        grain_m = 1.5 * max(last.grain_m, place.grain_m, last.rough_m, place.rough_m)
        noise_m = _noise_m(last, place)
        if self._from is not None and self._arrived(self._from, last, grain_m):
            self._from = None
        changed = self._from is not None and place.t_s - self._changed_s < CHANGE_S
        allowed = max(LEAST_M, noise_m, self._change_m if changed else 0.0)
        allowed += grain_m + self._dynamics_m(last, place, seconds)
        if last.told is not None and place.told is not None:
            self._doubted = _told_off_m(last, place, step) > noise_m + grain_m + _DOUBT_SHARE * math.hypot(*step)
        before, after = self._change if changed else (last.quality, place.quality)
        return Jump(place.at_ns, min(offs), allowed, before, after, changed)

    def _arrived(self, before: Place, last: Place, grain_m: float) -> bool:
        """Whether the position has gone over to the new fix, and rests there."""
        since = next((place for place in reversed(self._places) if place.t_s <= last.t_s - REST_S), None)
        if since is None or since.t_s < self._changed_s or _told_off_m(since, last) > _noise_m(since, last) + grain_m:
            return False
        return _told_off_m(before, last) > _noise_m(before, last) + grain_m

    def _foretold(self, last: Place, place: Place, step: Step) -> list[float]:
        offs = []
        if last.told is not None and place.told is not None:
            offs.append(_told_off_m(last, place, step))
        if self._paces:
            now, before = self._paces[-1], self._paces[0]
            seconds = place.t_s - last.t_s
            offs.append(_off(step, now[0] * seconds, now[1] * seconds))
            # As it turned or sped up from the step before to the last, so again.
            offs.append(_off(step, (2 * now[0] - before[0]) * seconds, (2 * now[1] - before[1]) * seconds))
        first = self._places[0]
        if first is not last:
            share = (place.t_s - last.t_s) / (last.t_s - first.t_s)
            gone = step_between(*first.position, *last.position)
            offs.append(_off(step, gone.north_m * share, gone.east_m * share))
        still = self.frozen_since
        if still is not None and still.told is not None and place.told is not None:
            # What was frozen catches up: it was no jump, but the end of standing still.
            north, east = place.told.north_m - still.told.north_m, place.told.east_m - still.told.east_m
            offs.append(max(0.0, _off(step, north, east) - _CAUGHT_UP_SHARE * math.hypot(north, east)))
        return offs or [math.hypot(*step)]

    def _dynamics_m(self, last: Place, place: Place, seconds: float) -> float:
        steep_m = steep_mps(seconds) * seconds
        if last.told is None or place.told is None:
            return steep_m
        change = math.hypot(place.velocity[0] - last.velocity[0], place.velocity[1] - last.velocity[1])
        fast = math.hypot(*place.velocity)
        told_m = change * (0.5 * seconds + 0.5) + fast * (0.05 * seconds + 0.02)
        return max(told_m, steep_m) if self._doubted else told_m


def steep_mps(seconds: float) -> float:
    """By how much a machine may change its velocity from one epoch to the next."""
    return _STEEP_MPS2 * (seconds + _STEEP_S)


def _noise_m(one: Place, other: Place) -> float:
    """How far the errors of two positions may differ while the fix stays as it is."""
    return PROMISE_SIGMAS * math.sqrt(2) * max(one.promise.noise_m, other.promise.noise_m)


def _told_off_m(first: Place, last: Place, step: Step | None = None) -> float:
    """How far the way between two positions is off that which the speed told adds up to; 0 where none is told.

    step: that way, where it is known already.
    """
    if first.told is None or last.told is None:
        return 0.0
    if step is None:
        step = step_between(*first.position, *last.position)
    return _off(step, last.told.north_m - first.told.north_m, last.told.east_m - first.told.east_m)


def _off(step: Step, north_m: float, east_m: float) -> float:
    return math.hypot(step.north_m - north_m, step.east_m - east_m)
