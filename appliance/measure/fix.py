"""The fix, as GGA tells it; where no GGA is sent, or no more, as RMC tells it.

Numbers of quality: IEC 61162-1 / NMEA 0183 name 0 to 8; 9 is used by some receivers for satellite services. The
number alone does not prove accuracy.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from appliance.sentence.types import GGA, GLL, RMC, VTG, ZDA, Content

QUALITY_WORDS: dict[int, str] = {
    0: "no fix",
    1: "autonomous",
    2: "differential",
    3: "PPS",
    4: "RTK fixed",
    5: "RTK float",
    6: "dead reckoning",
    7: "manual",
    8: "simulator",
    9: "satellite service",
}

HOLD_NS = 5_000_000_000
"""A quality is taken to last until the next GGA, but no longer than this: what was not heard is not counted. Ours."""
_SAMPLES_MOST = 64


@dataclass(slots=True)
class FixSample:
    """What one sentence said of the fix. quality 0 means none; None: the sentence has no such figure (RMC).

    fixed: it claims one. located: and gives a position, which is another question.
    """

    at_ns: int
    fixed: bool
    quality: int | None
    satellites: int | None
    hdop: float | None
    age_s: float | None
    decimals: int | None
    located: bool = True


class Fix:
    """Follows the fix of one line: the last figures, and the seconds spent in each quality."""

    def __init__(self) -> None:
        self.sample: FixSample | None = None
        self.seconds_by_quality: defaultdict[int, float] = defaultdict(float)
        self.age_most_s: float | None = None
        self.latitude_deg: float | None = None
        self.longitude_deg: float | None = None
        self.speed_mps: float | None = None
        self.course_deg: float | None = None
        self.time_s: float | None = None
        self.date: tuple[int, int, int] | None = None
        self.date_ns: int | None = None
        self._gga_ns: int | None = None
        self._gga_quality = 0
        self._fresh: list[FixSample] = []

    def add(self, content: Content, at_ns: int) -> None:
        """One understood sentence."""
        if isinstance(content, GGA):
            self._gga(content, at_ns)
        elif isinstance(content, RMC):
            self._rmc(content, at_ns)
        elif isinstance(content, VTG):
            self.speed_mps, self.course_deg = content.speed_mps, content.course_deg
        elif isinstance(content, ZDA):
            self._when(content.time_s, content.date, at_ns)
        elif isinstance(content, GLL) and self.sample is None:
            self.latitude_deg, self.longitude_deg = content.latitude_deg, content.longitude_deg

    def take_fresh(self) -> list[FixSample]:
        """The samples since this was last asked, in order (at most the last 64)."""
        fresh, self._fresh = self._fresh, []
        return fresh

    def _gga(self, gga: GGA, at_ns: int) -> None:
        if self._gga_ns is not None:
            self.seconds_by_quality[self._gga_quality] += min(at_ns - self._gga_ns, HOLD_NS) / 1e9
        self._gga_ns, self._gga_quality = at_ns, gga.quality or 0
        located = gga.latitude_deg is not None and gga.longitude_deg is not None
        if gga.age_s is not None:
            self.age_most_s = max(self.age_most_s or 0.0, gga.age_s)
        self.latitude_deg, self.longitude_deg, self.time_s = gga.latitude_deg, gga.longitude_deg, gga.time_s
        sample = FixSample(
            at_ns, bool(gga.quality), self._gga_quality, gga.satellites, gga.hdop, gga.age_s, gga.decimals, located
        )  # fmt: skip
        self._note(sample)

    def _rmc(self, rmc: RMC, at_ns: int) -> None:
        self.speed_mps, self.course_deg = rmc.speed_mps, rmc.course_deg
        self._when(rmc.time_s, rmc.date, at_ns)
        if self._gga_ns is None or at_ns - self._gga_ns > HOLD_NS:
            fixed, located = rmc.status == "A", rmc.latitude_deg is not None and rmc.longitude_deg is not None
            self.latitude_deg, self.longitude_deg = rmc.latitude_deg, rmc.longitude_deg
            self._note(FixSample(at_ns, fixed, None if fixed else 0, None, None, None, rmc.decimals, located))

    def _when(self, time_s: float | None, date: tuple[int, int, int] | None, at_ns: int) -> None:
        self.time_s = time_s if time_s is not None else self.time_s
        if date is not None:
            self.date, self.date_ns = date, at_ns

    def _note(self, sample: FixSample) -> None:
        self.sample = sample
        self._fresh.append(sample)
        del self._fresh[:-_SAMPLES_MOST]
