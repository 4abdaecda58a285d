"""The circumstances of a watch, second by second, and when its faults came: what `goes_with` asks its questions of.

Course and turning rate are taken from the track, since history keeps positions and no course: from the way gone in the
four seconds before, where that is long enough to point anywhere.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from typing import NamedTuple, Protocol

RECEIVER = "from-receiver"
_DAY_S = 86_400
SECOND_NS = 1_000_000_000
MARK_S = 60.0
"""A fault so long after a mark may come of what was done then. Ours; what comes before a mark made somebody press."""
_WAY_S = 4
_WAY_LEAST_M = 2.0
"""A way this long in four seconds has a course: with 4 decimals it is good to about 10 degrees. Ours."""
_RADIUS_M = 6_371_000.0


@dataclass(slots=True, frozen=True)
class Second:
    """One second of a watch; at_s: its start, from the start of the watch. None: not known in it.

    of_day_s: UTC of day. turning_dps: degrees a second, without its side. after_mark: in the minute after a mark.
    north_m, east_m: from the first position of the watch. temperature_c, supply_low: of the box.
    """

    at_s: float
    of_day_s: float | None = None
    speed_mps: float | None = None
    course_deg: float | None = None
    turning_dps: float | None = None
    north_m: float | None = None
    east_m: float | None = None
    quality: int | None = None
    satellites: int | None = None
    hdop: float | None = None
    age_s: float | None = None
    load_ratio: float | None = None
    after_mark: bool = False
    temperature_c: float | None = None
    supply_low: bool | None = None


class Seconds:
    """The seconds of a watch in order, kept by what they tell: as objects half a day of them takes 17 MB, so 5."""

    def __init__(self, seconds: Iterable[Second] = ()) -> None:
        self._told = {field.name: array("d") for field in fields(Second)}
        for one in seconds:
            self.add(one)

    def __len__(self) -> int:
        return len(self.starts_s)

    @property
    def starts_s(self) -> array[float]:
        """When each begins, from the start of the watch."""
        return self._told["at_s"]

    def add(self, second: Second) -> None:
        """The next one."""
        for name, told in self._told.items():
            value = getattr(second, name)
            told.append(math.nan if value is None else value)

    def drop(self, count: int) -> None:
        """Forgets the oldest."""
        for told in self._told.values():
            del told[:count]

    def told(self, name: str) -> Iterator[float | None]:
        """What each tells of one thing, by its name in Second; what is there or is not as 1 or 0."""
        return (None if math.isnan(value) else value for value in self._told[name])


@dataclass(slots=True, frozen=True)
class Onset:
    """A fault: its kind, and its start and end in s from the start of the watch; end_s None: still on."""

    kind: str
    start_s: float
    end_s: float | None = None


class Row(Protocol):
    """What is read of a second of history."""

    @property
    def line(self) -> str: ...
    @property
    def second_ns(self) -> int: ...
    @property
    def load_ratio(self) -> float: ...
    @property
    def quality(self) -> int | None: ...
    @property
    def satellites(self) -> int | None: ...
    @property
    def hdop(self) -> float | None: ...
    @property
    def age_s(self) -> float | None: ...
    @property
    def latitude_deg(self) -> float | None: ...
    @property
    def longitude_deg(self) -> float | None: ...
    @property
    def speed_mps(self) -> float | None: ...


class Box(Protocol):
    """How the box itself was from some time on."""

    @property
    def at_ns(self) -> int: ...
    @property
    def temperature_c(self) -> float | None: ...
    @property
    def supply_low(self) -> bool | None: ...


class Timed(Protocol):
    """What is read of a fault of history, or of one of a running watch."""

    @property
    def kind(self) -> str: ...
    @property
    def start_ns(self) -> int: ...
    @property
    def end_ns(self) -> int | None: ...


def onsets(faults: Iterable[Timed], started_ns: int) -> list[Onset]:
    """Faults of history or of a running watch as onsets."""
    return [
        Onset(
            one.kind, (one.start_ns - started_ns) / 1e9, None if one.end_ns is None else (one.end_ns - started_ns) / 1e9
        )
        for one in faults
    ]


def from_rows(
    rows: Iterable[Row],
    started_ns: int,
    utc_offset_ns: int | None = None,
    marks_ns: Sequence[int] = (),
    boxes: Sequence[Box] = (),
) -> Iterator[Second]:
    """Seconds of history of the line from the receiver, oldest first, as rows gives them.

    utc_offset_ns None: the watch is not dated. boxes: in order; each holds until the next.
    """
    track, marks_ns, box_of = Track(), sorted(marks_ns), Boxes(boxes)
    for row in rows:
        if row.line != RECEIVER:
            continue
        at_s = (row.second_ns - started_ns) / 1e9
        place = track.put(at_s, row.latitude_deg, row.longitude_deg)
        temperature_c, supply_low = box_of.at(row.second_ns)
        yield Second(
            at_s=at_s,
            of_day_s=of_day_s(row.second_ns, utc_offset_ns),
            speed_mps=row.speed_mps,
            course_deg=place.course_deg,
            turning_dps=place.turning_dps,
            north_m=place.north_m,
            east_m=place.east_m,
            quality=row.quality,
            satellites=row.satellites,
            hdop=row.hdop,
            age_s=row.age_s,
            load_ratio=row.load_ratio,
            after_mark=_after_mark(row.second_ns, marks_ns),
            temperature_c=temperature_c,
            supply_low=supply_low,
        )


class Boxes:
    """How the box was at any time, from rows of when it changed, in order."""

    def __init__(self, rows: Sequence[Box]) -> None:
        self._rows, self._at_ns = rows, [one.at_ns for one in rows]

    def at(self, at_ns: int) -> tuple[float | None, bool | None]:
        """Temperature and low supply as they held in the second that began then; None before the first row."""
        place = bisect_right(self._at_ns, at_ns + SECOND_NS - 1) - 1
        return (self._rows[place].temperature_c, self._rows[place].supply_low) if place >= 0 else (None, None)


class Place(NamedTuple):
    """Where a second was on the plane, and how it got there; None: not known."""

    north_m: float | None = None
    east_m: float | None = None
    course_deg: float | None = None
    turning_dps: float | None = None


class Track:
    """The last seconds of the way, on a plane about the first position."""

    def __init__(self) -> None:
        self._origin_deg: tuple[float, float] | None = None
        self._way: list[tuple[float, float, float, float | None]] = []  # s, m north, m east, degrees

    def put(self, at_s: float, latitude_deg: float | None, longitude_deg: float | None) -> Place:
        """The place of the next second, with course and turning rate as far as they are known."""
        if latitude_deg is None or longitude_deg is None:
            return Place()
        if self._origin_deg is None:
            self._origin_deg = latitude_deg, longitude_deg
        north_m = math.radians(latitude_deg - self._origin_deg[0]) * _RADIUS_M
        turned_deg = (longitude_deg - self._origin_deg[1] + 180) % 360 - 180
        east_m = math.radians(turned_deg) * _RADIUS_M * math.cos(math.radians(self._origin_deg[0]))
        self._way = [one for one in self._way if at_s - one[0] <= _WAY_S + 0.5]
        course_deg = self._course_deg(north_m, east_m)
        turning_dps = self._turning_dps(at_s, course_deg)
        self._way.append((at_s, north_m, east_m, course_deg))
        return Place(north_m, east_m, course_deg, turning_dps)

    def _course_deg(self, north_m: float, east_m: float) -> float | None:
        if not self._way:
            return None
        _, before_north_m, before_east_m, _ = self._way[0]
        north, east = north_m - before_north_m, east_m - before_east_m
        return math.degrees(math.atan2(east, north)) % 360 if math.hypot(north, east) >= _WAY_LEAST_M else None

    def _turning_dps(self, at_s: float, course_deg: float | None) -> float | None:
        before = next((one for one in self._way if one[3] is not None), None)
        if before is None or before[3] is None or course_deg is None:
            return None
        turned_deg = (course_deg - before[3] + 180) % 360 - 180
        return abs(turned_deg) / (at_s - before[0])


def of_day_s(at_ns: int, utc_offset_ns: int | None) -> float | None:
    """UTC of day; None of a watch that is not dated."""
    return None if utc_offset_ns is None else (at_ns + utc_offset_ns) / 1e9 % _DAY_S


def _after_mark(at_ns: int, marks_ns: Sequence[int]) -> bool:
    last = bisect_right(marks_ns, at_ns) - 1
    return last >= 0 and at_ns - marks_ns[last] <= MARK_S * 1e9
