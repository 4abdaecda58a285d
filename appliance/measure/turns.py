"""What a receiver should not change while it works: its talker, its decimals, its base; and decimals that tell nothing.

Each is told once, when it changes for good: at the epoch from which only the new value came.
"""

from __future__ import annotations

from appliance.measure.decimals import POSITION_AT, decimals_of, zeros_of
from appliance.measure.epoch import Epoch
from appliance.measure.persistence import FORGET_NS, Habit, Persist
from appliance.measure.promise import MINUTE_M
from appliance.measure.steps import STILL_MPS
from appliance.measure.trouble import Figures, Troubles
from appliance.sentence.parse import Sentence

CHANGE_COUNT = 3
CHANGE_NS = 1_000_000_000
"""A change is for good after three epochs and 1 s. Our choice."""
ALIKE_NS = 10_000_000_000
"""What changes in several types within this time is one change. Our choice."""

_TALKING = frozenset({"GGA", "RMC", "VTG", "GLL", "ZDA"})


class _Changes:
    """A kind that is told once for all the types that change together. Figures: type, before, after."""

    kind = ""

    def __init__(self, troubles: Troubles) -> None:
        self.persists: list[Persist] = []
        self._troubles = troubles
        self._habits: dict[str, Habit] = {}
        self._told_ns: int | None = None

    def forget(self) -> None:
        """What is usual stays so over a silence."""

    def _ask(self, type_: str, values: set[str] | tuple[int, ...], at_ns: int) -> None:
        habit = self._habits.get(type_)
        if habit is None:
            habit = self._habits[type_] = Habit(CHANGE_COUNT, CHANGE_NS)
        changed = habit.take(values, at_ns)
        if changed is None:
            self._troubles.fine(self.kind, at_ns)
            return
        before, after, since_ns = changed
        if self._told_ns is None or since_ns - self._told_ns > ALIKE_NS:
            figures: Figures = {"type": type_, "before": before, "after": after}
            measured = float(after) if isinstance(after, int) else None
            needed = float(before) if isinstance(before, int) else None
            self._troubles.once(self.kind, since_ns, measured, needed=needed, figures=figures)
        self._told_ns = since_ns


class Talkers(_Changes):
    """talker-changed: a type comes from another talker than before, and no more from those that were usual."""

    kind = "talker-changed"

    def take(self, epoch: Epoch) -> None:
        talkers: dict[str, set[str]] = {}
        for one in epoch.sentences:
            if one.type in _TALKING and one.talker != "P":
                if one.type in talkers:
                    talkers[one.type].add(one.talker)
                else:
                    talkers[one.type] = {one.talker}
        for type_, names in talkers.items():
            self._ask(type_, names, epoch.end_ns)


class Decimals(_Changes):
    """decimals-changed: of a minute, in one type; measured: now, needed: before."""

    kind = "decimals-changed"

    def take(self, epoch: Epoch) -> None:
        for type_, content in (("GGA", epoch.gga), ("RMC", epoch.rmc), ("GLL", epoch.gll)):
            if content is None or content.latitude_deg is None or content.longitude_deg is None:
                continue
            if content.decimals is not None:
                self._ask(type_, (content.decimals,), epoch.end_ns)


STATION_COUNT = 2
RTK = frozenset({4, 5})
SATELLITE_STATIONS = frozenset(range(33, 65)) | frozenset(range(120, 159))
"""Numbers of SBAS satellites, as NMEA 0183 and as GPS number them: one that hands over to the next moves no base."""


class Stations:
    """base-moved: another reference station corrects than before. Figures: before, after.

    Asked apart for RTK and for other corrections: a receiver that falls back on a satellite service, and comes back
    from it, has not changed its base. 0000 and null name none.
    """

    def __init__(self, troubles: Troubles) -> None:
        self.persists: list[Persist] = []
        self._troubles = troubles
        self._habits: dict[bool, Habit] = {}
        self._last = ""

    def forget(self) -> None:
        """What is usual stays so over a silence."""

    def take(self, epoch: Epoch) -> None:
        gga, at_ns = epoch.gga, epoch.end_ns
        if gga is None or not gga.quality or not gga.station or not gga.station.strip("0"):
            return
        rtk = gga.quality in RTK
        habit = self._habits.get(rtk)
        if habit is None:
            service = _is_service(gga.station) if not rtk else _is_service(self._last)
            known = "" if service else self._last
            habit = self._habits[rtk] = Habit(STATION_COUNT, 0, usual=known or None)
        self._last = gga.station
        changed = habit.take((gga.station,), at_ns)
        if changed is None or (not rtk and all(_is_service(one) for one in changed[:2])):
            self._troubles.fine("base-moved", at_ns)
        else:
            figures: Figures = {"before": changed[0], "after": changed[1]}
            self._troubles.once("base-moved", changed[2], figures=figures)


def _is_service(station: int | str) -> bool:
    return str(station).isdigit() and int(station) in SATELLITE_STATIONS


_PLACES = tuple(POSITION_AT)
PADDED_COUNT = 7
PADDED_TEXTS = 3
"""So many positions running must end in 0, three of them different: chance makes that one in 10^14, and hardly ever
even on a course along which only one coordinate moves. Our choice."""
PADDED_WAY = 10
"""A machine that has moved by ten of the last decimal should have changed it, so the same text counts again."""
SURE_ZEROS = 3
SURE_COUNT, SURE_TEXTS, SURE_WAY = 4, 1, 3
"""Three zeros at the end of both angles come by chance once in a million positions, so less of all that is needed:
with two decimals left of five a machine takes seconds from one text to the next. Our choice."""


class Padding:
    """decimals-padded: the last digits of latitude and longitude are always 0.

    measured: the decimals that tell something; needed: those that are sent. Figures: type, padded.
    """

    def __init__(self, troubles: Troubles) -> None:
        self._padded = Persist(troubles, "decimals-padded", 1, 0)
        self.persists = [self._padded]
        self._last: tuple[str, ...] = ()
        self._last_ns = 0
        self._type = ""
        self._type_ns = 0
        self._speed_mps = 0.0
        self.forget()

    def forget(self) -> None:
        self._zeros = self._count = self._texts = 0

    def take(self, epoch: Epoch) -> None:
        for content in (epoch.rmc, epoch.vtg):
            if content is not None:
                speed_mps = content.speed_mps or 0.0
                self._speed_mps = speed_mps if speed_mps > STILL_MPS else 0.0
        sentence = self._asked(epoch)
        if sentence is None:
            return
        decimals = decimals_of(sentence)
        if decimals is None:
            return
        sent, zeros = min(map(len, decimals)), zeros_of(decimals)
        sure = min(zeros, self._zeros or zeros) >= SURE_ZEROS
        count, texts, way = (
            (SURE_COUNT, SURE_TEXTS, SURE_WAY) if sure else (PADDED_COUNT, PADDED_TEXTS, PADDED_WAY)
        )  # fmt: skip
        latitude_at, longitude_at = POSITION_AT[sentence.type]
        told = sentence.fields[latitude_at], sentence.fields[longitude_at]
        if not self._tells(told, way * MINUTE_M / 10**sent, epoch.end_ns):
            self._padded.still(epoch.end_ns)
            return
        if not zeros:
            self.forget()
            self._padded.good(epoch.end_ns)
            return
        self._zeros = min(zeros, self._zeros or zeros)
        if self._count >= count and self._texts >= texts:
            figures: Figures = {"type": sentence.type, "padded": self._zeros}
            self._padded.bad(epoch.end_ns, float(sent - self._zeros), needed=float(sent), figures=figures)

    def _tells(self, texts: tuple[str, ...], way_m: float, at_ns: int) -> bool:
        """Whether this position is another, or should be after so long a way; then it counts."""
        moved_m = self._speed_mps * (at_ns - self._last_ns) / 1e9
        if texts == self._last and moved_m < way_m:
            return False
        self._count += 1
        self._texts += texts != self._last
        self._last, self._last_ns = texts, at_ns
        return True

    def _asked(self, epoch: Epoch) -> Sentence | None:
        """One type alone, GGA where it comes: another may have other decimals."""
        said = {one.type: one for one in epoch.sentences if one.type in POSITION_AT and one.talker != "P"}
        if not said:
            return None
        best = min(said, key=_PLACES.index) if len(said) > 1 else next(iter(said))
        lesser = self._type and _PLACES.index(best) > _PLACES.index(self._type)
        if lesser and epoch.end_ns - self._type_ns <= FORGET_NS:
            return None
        if self._type and best != self._type:
            self.forget()
            self._padded.good(epoch.end_ns)
        self._type, self._type_ns = best, epoch.end_ns
        return said[best]
