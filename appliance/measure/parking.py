"""Spells in which the machine is parked, and how its position scatters then."""

from __future__ import annotations

import math
from collections.abc import Callable

from appliance.measure.geodesy import step_between
from appliance.measure.scatter import Scatter
from appliance.measure.steps import CHANGE_S, Place

PARKED_S = 60.0
"""A spell says something about scatter from this length on. Ours: errors of a fix wander over minutes."""
PARKED_MPS = 0.12
"""Mean speed over some seconds up to which a machine counts as parked: receivers show 0.03 m/s RMS. Ours."""
_MEAN_S = 3.0
_SAMPLE_S = 1.0
STRETCH, LATEST_STRETCH = 2.5, 1.8
"""Scatter of a spell, and that of its last minute, may be so many times 2 x the error that the quality promises, before
it is told. Ours: errors of a fix wander over minutes, so a minute shows only a part of them."""
NOISE_MPS = 0.03
GONE_M, GONE_ERRORS = 10.0, 10.0
"""Further from where the spell began than this, and than so many errors of the fix, it is parked no more, or somewhere
else: whatever the speed says. Ours."""


class Parking:
    """Feed it every position with its speed; it keeps the figures of the last spell long enough."""

    def __init__(self) -> None:
        self.cep_m: float | None = None
        self.two_drms_m: float | None = None
        self._mean_mps = 1.0
        self._scatter = Scatter()
        self._since: Place | None = None
        self.restart()

    def restart(self) -> None:
        """After a break, a way off or a change of quality: another spell."""
        if self._since is not None:
            self._scatter, self._since = Scatter(), None
        self._last_s: float | None = None
        self._sampled_s = 0.0
        self._crept_m = 0.0
        self._quality: int | None = None
        self._settled_s = -math.inf

    def add(self, place: Place, speed_mps: float | None, tell: Callable[[int, float | None, float], None]) -> None:
        """tell(since_ns, 2DRMS if too much else None, allowed) is called at each sample of a spell long enough."""
        if speed_mps is None:
            if self._last_s is not None and place.t_s - self._last_s > _MEAN_S:
                self.restart()  # who knows how far it went meanwhile
            return
        t_s = place.t_s
        seconds = min(t_s - self._last_s, _MEAN_S) if self._last_s is not None else 0.0
        self._mean_mps += (speed_mps - self._mean_mps) * seconds / _MEAN_S
        if self._mean_mps > PARKED_MPS or speed_mps > 5 * PARKED_MPS or place.quality != self._quality:
            settled_s = self._settled_s if place.quality == self._quality else t_s + CHANGE_S
            self.restart()
            self._last_s, self._quality, self._settled_s = t_s, place.quality, settled_s
            return
        self._last_s = t_s
        if t_s >= self._settled_s:  # what slides to a new fix is no scatter
            self._stands(place, seconds, tell)

    def _stands(self, place: Place, seconds: float, tell: Callable[[int, float | None, float], None]) -> None:
        t_s = place.t_s
        if self._since is None:
            self._since, self._sampled_s = place, t_s - _SAMPLE_S
        self._crept_m += max(0.0, self._mean_mps - NOISE_MPS) * seconds
        if t_s - self._sampled_s < _SAMPLE_S - 1e-6:
            return
        self._sampled_s = t_s
        gone_m = math.hypot(*step_between(*self._since.position, *place.position))
        if gone_m > GONE_M + GONE_ERRORS * place.promise.error_m:
            self.restart()
            return
        self._scatter.add(*place.position)
        if t_s - self._since.t_s < PARKED_S:
            return
        two_drms_m = self._scatter.two_drms_m()
        if two_drms_m is None:
            return
        if self._scatter.count % 30 == 0 or self.cep_m is None:
            self.cep_m = self._scatter.cep_m()
        self.two_drms_m = two_drms_m
        latest_m = self._scatter.latest_m() or 0.0
        for scatter_m, stretch in ((latest_m, LATEST_STRETCH), (two_drms_m, STRETCH)):
            allowed_m = stretch * 2 * place.promise.error_m + place.grain_m + self._crept_m
            if scatter_m > allowed_m:
                tell(self._since.at_ns, scatter_m, allowed_m)
                return
        tell(self._since.at_ns, None, allowed_m)
