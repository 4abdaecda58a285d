"""When a wrong speed or course can be known: by one who errs as little as the noise of receivers lets him.

He is no detector of ours. He has the true drive and what is told of it, may choose the best of all windows since the
fault set in, and needs no second look. But he knows the receiver only by its class, so he leaves as much room as a
healthy one of that class may need: for noise and drift of the fix, for the grain of the decimals, for a filter that
delays the speed, and for the slide of the position where the quality changed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from appliance.simulate.wander import ERROR_M

# Noise of one position in metres, and its drift in metres a second, one sigma, by quality. Of 1: real positions of an
# autonomous receiver and its speed are 0.60 m/s apart at p95 and 1.13 at p99 over 2 s; the others about in proportion
# to their errors.
NOISE = {1: (0.25, 0.12), 2: (0.12, 0.05), 4: (0.015, 0.005), 5: (0.1, 0.05)}
SIGMAS = 3.0
ROOM_MPS, ROOM_SHARE, ROOM_DEG = 0.2, 0.08, 8.0  # what receivers of any class may be off by
LAG_S = 0.7  # of the filters in receivers
SLIDES_S = 3.0  # after a change of quality, at most
MOVING_MPS = 1.0  # below it nobody asks
WINDOW_MOST_S = 6.0


class Step(NamedTuple):
    """One epoch: its time, the true speed and course, and what is told of them; metres a second and degrees."""

    t_s: float
    speed_mps: float
    course_deg: float
    told_mps: float
    told_deg: float
    quality: int
    changed_s: float


class _Sum(NamedTuple):
    """Ways gone and told up to an epoch, in metres north and east."""

    gone_north: float
    gone_east: float
    told_north: float
    told_east: float


def known(steps: Sequence[Step], grain_m: float) -> float | None:
    """The time of the epoch at which it can be known; None where the steps do not show it."""
    sums: list[_Sum] = []
    begin = 0
    for place, step in enumerate(steps):
        if step.speed_mps < MOVING_MPS:
            begin = place + 1
        sums.append(_add(sums[-1], steps[place - 1], step) if sums else _Sum(0, 0, 0, 0))
        for first in range(place - 1, begin - 1, -1):
            if step.t_s - steps[first].t_s > WINDOW_MOST_S:
                break
            if _shows(steps[first], step, sums[first], sums[place], grain_m):
                return step.t_s
    return None


def _vector(speed_mps: float, course_deg: float) -> tuple[float, float]:
    return speed_mps * math.cos(math.radians(course_deg)), speed_mps * math.sin(math.radians(course_deg))


def _add(total: _Sum, before: Step, step: Step) -> _Sum:
    half_s = (step.t_s - before.t_s) / 2
    gone = [_vector(one.speed_mps, one.course_deg) for one in (before, step)]
    told = [_vector(one.told_mps, one.told_deg) for one in (before, step)]
    ways = [(north + also) * half_s for (north, also) in zip(*gone, strict=True)]
    ways += [(north + also) * half_s for (north, also) in zip(*told, strict=True)]
    return _Sum(*(one + more for one, more in zip(total, ways, strict=True)))


def _shows(first: Step, last: Step, before: _Sum, after: _Sum, grain_m: float) -> bool:
    """Whether the way told and the way gone between two epochs differ by more than any healthy receiver's may."""
    seconds = last.t_s - first.t_s
    gone = after.gone_north - before.gone_north, after.gone_east - before.gone_east
    told = after.told_north - before.told_north, after.told_east - before.told_east
    gone_m, told_m = math.hypot(*gone), math.hypot(*told)
    noise_m, drift_mps = (max(figures) for figures in zip(NOISE[first.quality], NOISE[last.quality], strict=True))
    fix_m = SIGMAS * (noise_m * math.sqrt(2) + drift_mps * seconds) + grain_m
    if last.changed_s > first.t_s - SLIDES_S:
        fix_m += SIGMAS * math.hypot(ERROR_M[first.quality], ERROR_M[last.quality])
    lag_m = LAG_S * math.dist(_vector(first.told_mps, first.told_deg), _vector(last.told_mps, last.told_deg))
    if abs(told_m - gone_m) > fix_m + lag_m + ROOM_MPS * seconds + ROOM_SHARE * max(told_m, gone_m):
        return True
    if min(told_m, gone_m) < MOVING_MPS * seconds:
        return False
    off = abs(math.remainder(math.atan2(told[1], told[0]) - math.atan2(gone[1], gone[0]), math.tau))
    across_m = 2 * min(told_m, gone_m) * math.sin(off / 2)
    return across_m > fix_m + lag_m + 2 * min(told_m, gone_m) * math.sin(math.radians(ROOM_DEG) / 2)
