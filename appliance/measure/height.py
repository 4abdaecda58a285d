"""Heights that jump, and the geoid separation that goes missing or changes.

A height may step by what both qualities promise, by what the ground climbs on the way driven, and by what the antenna
bounces; how it climbed before is taken on. Beyond that no ground explains it.
"""

from __future__ import annotations

import math

from appliance.measure.epoch import Epoch
from appliance.measure.persistence import FORGET_NS, Persist
from appliance.measure.promise import MINUTE_M
from appliance.measure.trouble import Troubles
from appliance.sentence.types import GGA

VERTICAL_M = {1: 15.0, 2: 6.0, 3: 6.0, 4: 0.5, 5: 5.0, 6: 15.0, 7: 15.0, 8: 15.0, 9: 6.0}
"""How far a height may be off at most, by quality: some five times the usual error of the class, which in height is
twice the horizontal one (1: 1.8 m, 2: 0.6, 4: 0.01 and 1 ppm of the way to the base, 5: 0.1 to 1). Our choice."""
STEP_SHARE = 2 / 3
"""From one epoch to the next of the same quality: errors drift, so they mostly cancel. Our choice."""
STEP_LEAST_M = 1.0
"""An antenna on a cab roof bounces and rolls by as much. Our choice."""
BEND = 0.08
"""How much the slope may change from one epoch to the next, metres up a metre along. Our choice."""
SLOPE_MOST = 0.4
"""Steepest ground that is believed to go on, metres up a metre along: steeper than any road. Our choice."""
CLIMB_S = 4.0
"""The climb is the mean of about so long. Our choice."""
SETTLE_S = 4.0
"""After a change of the fix the height may slide for so long to where the new one has it. Our choice."""
SETTLE_SHARES = ((1.0, 2.0), (SETTLE_S, 1.0))
"""Until so long after it, in s, so much of what the old fix may have been off may be made good in a second."""
SPEED_MOST_MPS = 40.0
"""What lies beyond it is a jump of the position and explains no height. Our choice."""
HDOP_PLAIN = 1.5
"""Above it a height may err in proportion: the figures of the class hold for a sky that is open. Our choice."""
HDOP_FACTOR_MOST = 10.0

_METRES_A_DEGREE = 60 * MINUTE_M


def ground_m(before: GGA, after: GGA) -> float:
    """Rough distance over the ground, good to a percent: it only bounds a slope. 0 where a position is null."""
    here, there = _place(before), _place(after)
    if here is None or there is None:
        return 0.0
    east_deg = (there[1] - here[1] + 180) % 360 - 180
    return math.hypot(there[0] - here[0], east_deg * math.cos(math.radians(there[0]))) * _METRES_A_DEGREE


def _place(gga: GGA) -> tuple[float, float] | None:
    if gga.latitude_deg is None or gga.longitude_deg is None:
        return None
    return gga.latitude_deg, gga.longitude_deg


def way_m(before: GGA, after: GGA, apart_s: float) -> float:
    """The way driven, as far as a machine drives."""
    return min(ground_m(before, after), SPEED_MOST_MPS * apart_s)


def allowed_m(before: GGA, after: GGA, driven_m: float) -> float:
    """The greatest step of height, over the climb of before, that qualities, geometry and the way driven allow."""
    first_m, last_m = _promised_m(before), _promised_m(after)
    step_m = first_m + last_m if before.quality != after.quality else max(first_m, last_m) * STEP_SHARE
    return max(STEP_LEAST_M, step_m) + BEND * driven_m


def _promised_m(gga: GGA) -> float:
    return VERTICAL_M.get(gga.quality or 1, 15.0) * _widened(gga.hdop)


def _widened(hdop: float | None) -> float:
    return min(max(1.0, (hdop or 0.0) / HDOP_PLAIN), HDOP_FACTOR_MOST)


class Height:
    """height-jump: measured m, needed m (the most that was allowed). Notes: "fix-changed", "fix-same".

    Figures: before, after (qualities), step_m with its sign. Where the geoid separation changes by as much the other
    way, only the model changed: that is geoid-changed.
    """

    def __init__(self, troubles: Troubles) -> None:
        self.persists: list[Persist] = []
        self._troubles = troubles
        self._last: tuple[GGA, int] | None = None
        self._climb_mps = 0.0
        self._settling: tuple[float, int] | None = None

    def forget(self) -> None:
        self._last = self._settling = None
        self._climb_mps = 0.0

    def take(self, epoch: Epoch) -> None:
        gga, at_ns = epoch.gga, epoch.end_ns
        if gga is None or not gga.quality or gga.altitude_m is None:
            return
        last, self._last = self._last, (gga, at_ns)
        if last is None or at_ns - last[1] > FORGET_NS or last[0].altitude_m is None:
            return
        before, since_ns = last
        step_m = gga.altitude_m - (before.altitude_m or 0.0)
        model_m = 0.0
        if gga.geoid_m is not None and before.geoid_m is not None:
            model_m = gga.geoid_m - before.geoid_m
        apart_s = (at_ns - since_ns) / 1e9
        if before.quality != gga.quality:
            self._settling = max(_promised_m(before), self._slide_m(at_ns, SETTLE_S)), at_ns
        driven_m = way_m(before, gga, apart_s)
        most_m = max(allowed_m(before, gga, driven_m), self._slide_m(at_ns, apart_s))
        expected_m = self._climb_mps * apart_s
        self._climb(step_m, driven_m, apart_s)
        if min(abs(step_m - expected_m), abs(step_m + model_m - expected_m), abs(step_m)) <= most_m:
            self._troubles.fine("height-jump", at_ns)
            return
        note = "fix-same" if before.quality == gga.quality else "fix-changed"
        self._troubles.once(
            "height-jump", at_ns, abs(step_m), needed=most_m, note=note,
            figures={"before": before.quality or 0, "after": gga.quality, "step_m": step_m},
        )  # fmt: skip

    def _slide_m(self, at_ns: int, apart_s: float) -> float:
        """How far the height may have slid since the epoch before, after a change of the fix."""
        if self._settling is None:
            return 0.0
        promised_m, since_ns = self._settling
        since_s = (at_ns - since_ns) / 1e9
        share = next((share for until_s, share in SETTLE_SHARES if since_s <= until_s), 0.0)
        return promised_m * min(1.0, share * apart_s)

    def _climb(self, step_m: float, way_m: float, apart_s: float) -> None:
        if apart_s > 0:
            most_m = SLOPE_MOST * way_m
            climbed_mps = max(-most_m, min(most_m, step_m)) / apart_s
            self._climb_mps += (climbed_mps - self._climb_mps) * min(1.0, apart_s / CLIMB_S)


GEOID_STEP_M = 1.0
GEOID_SLOPE = 0.0005
"""A geoid model changes by some decimetres a kilometre at most; receivers' tables are coarse. Our choice."""
GEOID_MISSING_COUNT = 5
GEOID_MISSING_NS = 2_000_000_000


class Geoid:
    """geoid-missing: a height without its geoid separation, for five epochs and 2 s running, told in words.

    geoid-changed: the separation steps by more than 1 m and stays there for two epochs; measured: m. Figures: before_m,
    after_m.
    """

    def __init__(self, troubles: Troubles) -> None:
        self._missing = Persist(troubles, "geoid-missing", GEOID_MISSING_COUNT, GEOID_MISSING_NS)
        self.persists = [self._missing]
        self._troubles = troubles
        self._last: GGA | None = None
        self._step: tuple[float, int] | None = None

    def forget(self) -> None:
        self._last = self._step = None

    def take(self, epoch: Epoch) -> None:
        gga, at_ns = epoch.gga, epoch.end_ns
        if gga is None or not gga.quality or gga.altitude_m is None:
            return
        if gga.geoid_m is None:
            self._missing.bad(at_ns)
            return
        self._missing.good(at_ns)
        if self._last is not None and self._last.geoid_m is not None:
            step_m = gga.geoid_m - self._last.geoid_m
            if abs(step_m) > GEOID_STEP_M:
                allowed_m = GEOID_STEP_M + GEOID_SLOPE * ground_m(self._last, gga)
                if abs(step_m) > allowed_m and not self._confirmed(gga.geoid_m, at_ns, step_m, allowed_m):
                    return
        self._step = None
        self._last = gga
        self._troubles.fine("geoid-changed", at_ns)

    def _confirmed(self, geoid_m: float, at_ns: int, step_m: float, allowed_m: float) -> bool:
        """Whether this is the second epoch of the same step; then it is told."""
        if self._step is None or abs(geoid_m - self._step[0]) > GEOID_STEP_M:
            self._step = geoid_m, at_ns
            return False
        figures = {"before_m": geoid_m - step_m, "after_m": geoid_m}
        self._troubles.once("geoid-changed", self._step[1], abs(step_m), needed=allowed_m, figures=figures)
        return True
