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
LEAST_M = 0.3
"""Steps off by less are never told. Ours."""
_BEFORE_S = 1.0
_STEEP_MPS2 = 2.0
"""What a machine may speed up or turn by, where no speed is told to foretell it. Ours."""
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
        self._doubted = False

    def restart(self) -> None:
        self._places.clear()
        self._paces.clear()
        self.frozen_since = None
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
        """One more; None where it runs on. speed_mps: the least that is told of it now."""
        last = self.last
        self.compared = last is not None
        if last is None:
            self._places.append(place)
            return None
        if last.quality != place.quality:
            self._note_change(last, place)
        jump = self._judge(last, place)
        self._note_frozen(last, place, speed_mps)
        jumped = jump.off_m > jump.allowed_m
        if jumped:
            self._places.clear()
            self.largest_m = max(self.largest_m or 0.0, jump.off_m)
        self._places.append(place)
        while place.t_s - self._places[0].t_s > _BEFORE_S and len(self._places) > 3:
            self._places.popleft()
        return jump if jumped else None

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
        changed = place.t_s - self._changed_s < CHANGE_S
        noise_m = PROMISE_SIGMAS * math.sqrt(2) * max(last.promise.noise_m, place.promise.noise_m)
        allowed = max(LEAST_M, noise_m, self._change_m if changed else 0.0)
        allowed += grain_m + self._dynamics_m(last, place, seconds)
        if last.told is not None and place.told is not None:
            told_off_m = _off(step, place.told.north_m - last.told.north_m, place.told.east_m - last.told.east_m)
            self._doubted = told_off_m > noise_m + grain_m + _DOUBT_SHARE * math.hypot(*step)
        before, after = self._change if changed else (last.quality, place.quality)
        return Jump(min(offs), allowed, before, after, changed)

    def _foretold(self, last: Place, place: Place, step: Step) -> list[float]:
        offs = []
        if last.told is not None and place.told is not None:
            offs.append(_off(step, place.told.north_m - last.told.north_m, place.told.east_m - last.told.east_m))
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
        steep_m = _STEEP_MPS2 * seconds * (seconds + 0.3)
        if last.told is None or place.told is None:
            return steep_m
        change = math.hypot(place.velocity[0] - last.velocity[0], place.velocity[1] - last.velocity[1])
        fast = math.hypot(*place.velocity)
        told_m = change * (0.5 * seconds + 0.5) + fast * (0.05 * seconds + 0.02)
        return max(told_m, steep_m) if self._doubted else told_m


def _off(step: Step, north_m: float, east_m: float) -> float:
    return math.hypot(step.north_m - north_m, step.east_m - east_m)
