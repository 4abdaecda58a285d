"""What one epoch says twice: speed and course in RMC and VTG, the position in GGA and RMC."""

from __future__ import annotations

import math

from appliance.measure.epoch import Epoch
from appliance.measure.geodesy import way
from appliance.measure.promise import grain_m
from appliance.measure.trouble import Troubles
from appliance.sentence.types import GGA, RMC, VTG

PAIR_MPS, PAIR_RATIO = 0.2, 0.05
PAIR_DEG, PAIR_FROM_MPS = 8.0, 1.0
"""RMC and VTG of one epoch are one solution: they differ by their decimals alone. Ours, with room."""
PAIR_M = 1.0
"""GGA and RMC of one UTC may differ by so much besides their decimals. Ours."""
PAIRS = 2
"""Pairs in a row that must disagree: one alone may be a garbled sentence with a right sum."""
_SAME_INSTANT_S = 0.004


class Run:
    """Pairs that disagree, in a row."""

    def __init__(self) -> None:
        self.count = 0
        self.since_ns = 0

    def more(self, bad: bool, at_ns: int) -> bool:
        """One pair more; whether enough in a row disagree."""
        self.count = self.count + 1 if bad else 0
        if self.count == 1:
            self.since_ns = at_ns
        return self.count >= PAIRS


class Pairs:
    """Reports on rmc-vtg-disagree (note: speed, in m/s, or course, in degrees) and gga-rmc-disagree (m)."""

    def __init__(self, troubles: Troubles) -> None:
        self._troubles = troubles
        self._speed, self._course, self._place = Run(), Run(), Run()

    def take(self, epoch: Epoch, stands: bool = False) -> None:
        """One epoch, closed. stands: the position stands while it should move, and is told as such: it is not asked."""
        rmc, vtg, gga = epoch.rmc, epoch.vtg, epoch.gga
        if rmc is not None and vtg is not None:
            self._speeds(rmc, vtg, epoch.start_ns)
        if rmc is not None and gga is not None and not stands:
            self._places(gga, rmc, epoch.start_ns)

    def _places(self, gga: GGA, rmc: RMC, at_ns: int) -> None:
        if gga.time_s is None or rmc.time_s is None or abs(gga.time_s - rmc.time_s) > _SAME_INSTANT_S:
            return
        if gga.latitude_deg is None or gga.longitude_deg is None or not gga.quality:
            return
        if rmc.latitude_deg is None or rmc.longitude_deg is None:
            return
        if gga.latitude_deg * rmc.latitude_deg < 0 or gga.longitude_deg * rmc.longitude_deg < 0:
            return  # on different sides of a line: near it the next pair tells, far from it that is told as such
        apart_m = way(gga.latitude_deg, gga.longitude_deg, rmc.latitude_deg, rmc.longitude_deg).distance_m
        allowed_m = PAIR_M + grain_m(gga.decimals) + grain_m(rmc.decimals)
        if self._place.more(apart_m > allowed_m, at_ns):
            self._troubles.lasts("gga-rmc-disagree", self._place.since_ns, apart_m, needed=allowed_m)
        elif apart_m <= allowed_m:
            self._troubles.fine("gga-rmc-disagree", at_ns)

    def _speeds(self, rmc: RMC, vtg: VTG, at_ns: int) -> None:
        if rmc.speed_mps is None or vtg.speed_mps is None or rmc.status == "V" or vtg.mode == "N":
            return
        apart = abs(rmc.speed_mps - vtg.speed_mps)
        allowed = PAIR_MPS + PAIR_RATIO * max(abs(rmc.speed_mps), abs(vtg.speed_mps))
        turned = 0.0
        if rmc.course_deg is not None and vtg.course_deg is not None:
            turned = abs(math.remainder(rmc.course_deg - vtg.course_deg, 360))
        if min(rmc.speed_mps, vtg.speed_mps) < PAIR_FROM_MPS:
            turned = 0.0
        speed_off = self._speed.more(apart > allowed, at_ns)
        course_off = self._course.more(turned > PAIR_DEG, at_ns)
        if speed_off:
            figures = {"rmc_mps": rmc.speed_mps, "vtg_mps": vtg.speed_mps}
            self._tell(self._speed, apart, allowed, "speed", figures)
        elif course_off:
            figures = {"rmc_deg": rmc.course_deg or 0.0, "vtg_deg": vtg.course_deg or 0.0}
            self._tell(self._course, turned, PAIR_DEG, "course", figures)
        elif not self._speed.count and not self._course.count:
            self._troubles.fine("rmc-vtg-disagree", at_ns)

    def _tell(self, run: Run, measured: float, needed: float, note: str, figures: dict[str, float]) -> None:
        self._troubles.lasts("rmc-vtg-disagree", run.since_ns, measured, needed=needed, note=note, figures=figures)
