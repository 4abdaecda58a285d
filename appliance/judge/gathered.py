"""The seconds of a watch gathered while it is judged, for `goes_with` to ask its questions of."""

from __future__ import annotations

from collections.abc import Iterable

from appliance.judge.circumstances import SECOND_NS, Onset, Second, Seconds, Track, of_day_s, onsets
from appliance.judge.faults import Fault
from appliance.measure.load import BITS_A_BYTE
from appliance.measure.meter import LineMeter

MOST_S = 3 * 86_400
"""Of a longer log the last three days are asked; their seconds take some 30 MB. Our choice."""
_DROPPED_AT_ONCE = 3600


class Gathered:
    """Gathers the seconds of a watch while it is judged: tell it of every look. Ask it for `seconds` at the end.

    Load is left out where arrival was not measured. most_s: so many of the last seconds are kept, or up to an hour
    more; dropped tells whether there were others.
    """

    def __init__(
        self, started_ns: int, utc_offset_ns: int | None, *, arrival_measured: bool, most_s: int = MOST_S
    ) -> None:
        self.seconds = Seconds()
        self.dropped = False
        self._most_s = most_s
        self._started_ns, self._offset_ns, self._arrival = started_ns, utc_offset_ns, arrival_measured
        self._track = Track()
        self._next_ns = started_ns + SECOND_NS

    def look(self, meter: LineMeter, now_ns: int) -> None:
        """The meter as it stands at a look; the first look of each second is kept, as of the second before it."""
        if now_ns < self._next_ns:
            return
        second = (now_ns - self._started_ns) // SECOND_NS
        self._next_ns = self._started_ns + (second + 1) * SECOND_NS
        self.seconds.add(self._second(meter, now_ns, float(second - 1)))
        if len(self.seconds) >= self._most_s + _DROPPED_AT_ONCE:
            self.seconds.drop(_DROPPED_AT_ONCE)
            self.dropped = True

    def _second(self, meter: LineMeter, now_ns: int, at_s: float) -> Second:
        day_s = of_day_s(now_ns - SECOND_NS, self._offset_ns)
        load_ratio = meter.load.recent_bytes_hz(now_ns) * BITS_A_BYTE / meter.load.baud if self._arrival else None
        fix, sample = meter.fix, meter.fix.sample
        if sample is None or now_ns - sample.at_ns >= 2 * SECOND_NS:
            return Second(at_s, day_s, load_ratio=load_ratio)
        place = self._track.put(at_s, fix.latitude_deg, fix.longitude_deg)
        return Second(
            at_s=at_s,
            of_day_s=day_s,
            speed_mps=fix.speed_mps,
            course_deg=place.course_deg,
            turning_dps=place.turning_dps,
            north_m=place.north_m,
            east_m=place.east_m,
            quality=sample.quality,
            satellites=sample.satellites,
            hdop=sample.hdop,
            age_s=sample.age_s,
            load_ratio=load_ratio,
        )

    def onsets(self, faults: Iterable[Fault]) -> list[Onset]:
        """The faults of the same watch, from the first second that is kept."""
        told = onsets(faults, self._started_ns)
        return [one for one in told if one.start_s >= self.seconds.starts_s[0]] if self.dropped else told
