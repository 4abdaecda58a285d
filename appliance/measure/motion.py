"""Whether position, speed and course agree: what the machine does on the ground against what the line says of it."""

from __future__ import annotations

import math

from appliance.measure.agreement import Agreement
from appliance.measure.allowance import ALLOWED_RATIO
from appliance.measure.decimals import Telling
from appliance.measure.epoch import DAY_S, GAP_S, Epoch
from appliance.measure.geodesy import Step
from appliance.measure.pairs import Pairs
from appliance.measure.parking import Parking
from appliance.measure.promise import grain_m, promised
from appliance.measure.steps import FROZEN_S, Place, Steps
from appliance.measure.trouble import Troubles
from appliance.sentence.types import GGA, KMH_MPS, KNOT_MPS

CLOCKS_APART_S = 0.6
"""UTC and arrival may tell the time between two epochs so differently; else one of them stepped. Ours."""
IMPOSSIBLE_MPS = 60.0
"""216 km/h: no machine that this box rides on is so fast. Ours."""
COLUMNS = ("RMC", "VTG", "VTG km/h")
QUALITY_BY_MODE = {"A": 1, "D": 2, "P": 3, "R": 4, "F": 5, "E": 6}
"""Where no GGA tells the quality, the mode of RMC or GLL does (IEC 61162-1 / NMEA 0183)."""
_STILL_MPS = 0.1

Said = tuple[float, float | None]
"""Speed, and course if there is one."""


class Motion:
    """Reports on: position-jump, position-frozen, speed-disagrees, course-disagrees, speed-negative, speed-impossible,
    rmc-vtg-disagree, gga-rmc-disagree, scatter-high.

    Figures for people, None while not known: speed_ratio (told to gone, median), speed_difference_p95_mps (both over
    windows of 2 to 5 s while moving), largest_jump_m, and cep_m and two_drms_m of the last time it was parked.
    """

    def __init__(self, troubles: Troubles) -> None:
        self._troubles = troubles
        self._agreements = {column: Agreement() for column in COLUMNS}
        self._steps = Steps()
        self._telling = Telling()
        self._parking = Parking()
        self._source = ""
        self._source_s = -math.inf
        self._t_s = 0.0
        self._last: tuple[float | None, int] | None = None
        self._pairs = Pairs(troubles)

    @property
    def speed_ratio(self) -> float | None:
        return self._counted.ratios.quantile(0.5)

    @property
    def speed_difference_p95_mps(self) -> float | None:
        return self._counted.differences.quantile(0.95)

    @property
    def largest_jump_m(self) -> float | None:
        return self._steps.largest_m

    @property
    def cep_m(self) -> float | None:
        return self._parking.cep_m

    @property
    def two_drms_m(self) -> float | None:
        return self._parking.two_drms_m

    @property
    def _counted(self) -> Agreement:
        return max((self._agreements[column] for column in ("VTG", "RMC")), key=lambda one: one.ratios.count)

    def take(self, epoch: Epoch) -> None:
        """One epoch, closed; in order."""
        at_ns = epoch.start_ns
        for agreement in self._agreements.values():
            agreement.speed_asked = agreement.course_asked = False
        if not self._runs_on(epoch):
            self._restart()
        said = self._speeds(epoch, at_ns)
        self._pairs.take(epoch, stands=self._steps.standing_still)
        place = self._place(epoch, at_ns)
        if place is not None:
            self._position(place, said)

    def _runs_on(self, epoch: Epoch) -> bool:
        """Moves the time on by what UTC says, or else by arrival; whether what came before may be compared."""
        last, self._last = self._last, (epoch.time_s, epoch.start_ns)
        if last is None:
            return True
        arrived_s = (epoch.start_ns - last[1]) / 1e9
        passed_s = arrived_s
        if epoch.time_s is not None and last[0] is not None:
            passed_s = math.remainder(epoch.time_s - last[0], DAY_S)
        self._t_s += passed_s if 0 < passed_s <= GAP_S else max(arrived_s, 1e-3)
        return 0 < passed_s <= GAP_S and abs(passed_s - arrived_s) < CLOCKS_APART_S

    def _restart(self) -> None:
        """After a break in time."""
        for agreement in self._agreements.values():
            agreement.track.restart()
        self._forget()

    def _forget(self) -> None:
        """Positions from here on have nothing to do with those before."""
        for agreement in self._agreements.values():
            agreement.restart()
        self._steps.restart()
        self._parking.restart()

    # Speed and course

    def _speeds(self, epoch: Epoch, at_ns: int) -> dict[str, Said]:
        """Column -> speed and course told, of those that can be; what cannot is told."""
        rmc, vtg = epoch.rmc, epoch.vtg
        told: dict[str, Said] = {}
        if rmc is not None and rmc.status != "V" and rmc.speed_mps is not None:
            told["RMC"] = rmc.speed_mps, rmc.course_deg
        if vtg is not None and vtg.mode != "N":
            if vtg.speed_knots is not None:
                told["VTG"] = vtg.speed_knots * KNOT_MPS, vtg.course_deg
            if vtg.speed_kmh is not None:
                told["VTG km/h"] = vtg.speed_kmh * KMH_MPS, vtg.course_deg
        if not told:
            return told
        speeds = [speed for speed, _ in told.values()]
        slowest, fastest = min(speeds), max(speeds)
        self._limit("speed-negative", at_ns, slowest, 0.0, slowest < 0)
        self._limit("speed-impossible", at_ns, fastest, IMPOSSIBLE_MPS, fastest > IMPOSSIBLE_MPS)
        other = next((course for _, course in told.values() if course is not None), None)
        for column, (speed, course) in told.items():
            track = self._agreements[column].track
            if abs(speed) > IMPOSSIBLE_MPS:
                track.restart()
            else:
                track.speed(self._t_s, abs(speed), course if course is not None else other)
        return told

    def _limit(self, kind: str, at_ns: int, measured: float, needed: float, bad: bool) -> None:
        if bad:
            self._troubles.lasts(kind, at_ns, measured, needed=needed)
        else:
            self._troubles.fine(kind, at_ns)

    # Position

    def _place(self, epoch: Epoch, at_ns: int) -> Place | None:
        """The position of the epoch: GGA's, or where none is sent RMC's, or GLL's; None where there is no fix."""
        gga, rmc, gll = epoch.gga, epoch.rmc, epoch.gll
        if gga is not None and not gga.quality:
            self._steps.restart()
            self._source_s = self._t_s
            return None
        for source, content in (("GGA", gga), ("RMC", rmc), ("GLL", gll)):
            if content is None or content.latitude_deg is None or content.longitude_deg is None:
                continue
            if source != self._source and self._t_s - self._source_s <= GAP_S / 2:
                continue
            if source != self._source and self._source:
                self._forget()
            self._source, self._source_s = source, self._t_s
            quality = content.quality if isinstance(content, GGA) else QUALITY_BY_MODE.get(content.mode or "")
            promise = promised(quality, gga.hdop if gga else None, epoch.contents.get("GST"))
            told, velocity = self._told()
            grain = grain_m(self._telling.take(next((one for one in epoch.sentences if one.content is content), None)))
            latitude_deg, longitude_deg = self._steps.righted(content.latitude_deg, content.longitude_deg)
            return Place(
                self._t_s, at_ns, latitude_deg, longitude_deg, quality, promise, grain, told, velocity,
                grain_m(self._telling.own),
            )  # fmt: skip
        return None

    def _told(self) -> tuple[Step | None, tuple[float, float]]:
        """The way that the speed told adds up to, VTG's where it is sent and else RMC's."""
        for column in ("VTG", "VTG km/h", "RMC"):
            track = self._agreements[column].track
            if track.fresh(self._t_s):
                return track.reckon(self._t_s), track.velocity
        return None, (0.0, 0.0)

    def _position(self, place: Place, said: dict[str, Said]) -> None:
        speeds = [abs(speed) for speed, _ in said.values() if abs(speed) <= IMPOSSIBLE_MPS]
        slowest = min(speeds) if speeds else self._held_speed()
        jump = self._steps.add(place, slowest)
        if jump is not None:
            self._troubles.once(
                "position-jump", jump.at_ns, jump.off_m, needed=jump.allowed_m,
                note="fix-changed" if jump.changed else "fix-same",
                figures={"before": jump.before or 0, "after": jump.after or 0},
            )  # fmt: skip
            for agreement in self._agreements.values():
                agreement.restart()
        elif self._steps.compared:
            self._troubles.fine("position-jump", place.at_ns)
        if not self._steps.standing_still:
            self._nodes(place, said)
        self._tell_frozen(place, slowest)
        self._tell_speed(place.at_ns)
        self._tell_course(place.at_ns)
        self._parking.add(place, slowest, self._tell_scatter)

    def _held_speed(self) -> float | None:
        tracks = [agreement.track for agreement in self._agreements.values() if agreement.track.fresh(self._t_s)]
        return min((math.hypot(*track.velocity) for track in tracks), default=None)

    def _nodes(self, place: Place, said: dict[str, Said]) -> None:
        settle_m, since_s = self._steps.settle_m(place.t_s), self._steps.since_change_s(place.t_s)
        for column in said:
            agreement = self._agreements[column]
            node = agreement.track.node(place, settle_m, since_s)
            if node is not None:
                agreement.ask(node)
        if any(agreement.settled for agreement in self._agreements.values()):
            self._steps.settled()
            for agreement in self._agreements.values():
                agreement.settled = False
                agreement.track.settled()

    def _tell_frozen(self, place: Place, slowest: float | None) -> None:
        still = self._steps.frozen_since
        standing = [(column, one.standing) for column, one in self._agreements.items() if one.standing is not None]
        if still is not None and self._steps.frozen(place):
            self._troubles.lasts("position-frozen", still.at_ns, place.t_s - still.t_s, needed=FROZEN_S, note="moving")
            for agreement in self._agreements.values():
                agreement.restart()
        elif standing:
            column, found = max(standing, key=lambda one: one[1].seconds)
            self._troubles.lasts(
                "position-frozen", found.since_ns, found.seconds, note="standing",
                figures={"source": column, "track_mps": found.gone},
            )  # fmt: skip
        elif still is None and slowest is not None and slowest > _STILL_MPS and self._no_longer("position-frozen"):
            self._troubles.fine("position-frozen", place.at_ns)

    def _no_longer(self, kind: str) -> bool:
        """What stands at zero speed ends where the speed agrees again, not at the first blink of it."""
        lasting = self._troubles.lasting.get(kind)
        return lasting is None or lasting.note != "standing" or any(
            agreement.speed_asked for agreement in self._agreements.values()
        )  # fmt: skip

    def _tell_speed(self, at_ns: int) -> None:
        found = [(column, one.speed) for column, one in self._agreements.items() if one.speed is not None]
        if found:
            column, worst = max(found, key=lambda one: abs(math.log(max(one[1].measured, 1e-3))))
            self._troubles.lasts(
                "speed-disagrees", worst.since_ns, worst.measured, needed=1 + ALLOWED_RATIO, note=worst.note,
                figures={"source": column, "ratio": worst.measured, "offset_mps": worst.told - worst.gone},
            )  # fmt: skip
        elif any(agreement.speed_asked for agreement in self._agreements.values()):
            self._troubles.fine("speed-disagrees", at_ns)

    def _tell_course(self, at_ns: int) -> None:
        found = [(column, one.course) for column, one in self._agreements.items() if one.course is not None]
        if found:
            column, worst = max(found, key=lambda one: one[1].measured)
            self._troubles.lasts(
                "course-disagrees", worst.since_ns, worst.measured, note=worst.note,
                figures={"source": column, "offset_deg": worst.told, "track_deg": worst.gone % 360},
            )  # fmt: skip
        elif any(agreement.course_asked for agreement in self._agreements.values()):
            self._troubles.fine("course-disagrees", at_ns)

    def _tell_scatter(self, since_ns: int, two_drms_m: float | None, allowed_m: float) -> None:
        if two_drms_m is None:
            self._troubles.fine("scatter-high", self._last[1] if self._last else since_ns)
        else:
            self._troubles.lasts("scatter-high", since_ns, two_drms_m, needed=allowed_m)
