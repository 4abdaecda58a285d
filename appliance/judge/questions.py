"""What is asked of the faults: each circumstance as a code for each second, and the groups of codes that could matter.

A group is what a sentence can be said of: "a speed above 9 km/h", "a course about north-east". The limits are tenths
of the time spent, rounded to what people say.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from math import floor
from statistics import quantiles

from appliance.judge.circumstances import Seconds

UNKNOWN = 0
CARRY_S = 2
"""What was last told holds for so many seconds more, where nothing newer is. Ours."""
_MOVING_MPS = 0.3
_TURNING_DPS = 5.0
"""A tractor on a pass turns by less than a degree or two a second, at a headland by ten and more. Ours."""
_CELL_M = 25.0
_SQUARES, _STRIP = (2, 5), 2
"""Places are of so many cells: a tree or a shed shades about 50 m, a hollow more than 100, a row of trees 50. Ours."""
_PLACE_LEAST_S = 20
_POINTS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
_SINCE_S = (120, 300, 600, 1200, 1800, 3600, 7200, 14_400, 28_800)

Values = list[float | None]


@dataclass(slots=True)
class Question:
    """Does it go with this circumstance? codes: for each second the code of what was known, UNKNOWN where nothing.

    groups and says belong together: what the codes of a group mean, to stand after "came". of_time: it asks about
    the time itself. lagged: its codes tell what was known before that second.
    """

    circumstance: str
    codes: array[int]
    groups: list[frozenset[int]]
    says: list[str]
    of_time: bool = False
    lagged: bool = False


@dataclass(slots=True, frozen=True)
class Scale:
    """A figure that may be high or low: of what a second tells, and how; the step of its limits, and its words."""

    of: str
    take: Callable[[float], float | None]
    step: float
    words: str  # {} holds above or below and the figure
    kinds: frozenset[str] = frozenset()  # faults that are told by this figure itself


def _kmh(speed_mps: float) -> float | None:
    """While it moves: whether it does is a question of its own."""
    return None if speed_mps < _MOVING_MPS else speed_mps * 3.6


def _as_told(value: float) -> float:
    return value


_NO_FIX = frozenset({"no-fix", "position-null", "quality-not-accepted", "status-contradicts"})
_FEW = frozenset({"satellites-few", "satellites-falling"})
_SILENCES = frozenset({"silent", "port-lost", "message-missing", "rate-low", "rate-high", "load-high", "binary"})

SCALES: dict[str, Scale] = {
    "speed": Scale("speed_mps", _kmh, 0.5, "a speed {} km/h", frozenset({"speed-impossible", "speed-negative"})),
    "satellites": Scale("satellites", _as_told, 1, "a number of satellites {}", _NO_FIX | _FEW),
    "hdop": Scale("hdop", _as_told, 0.1, "an HDOP {}", _NO_FIX | {"hdop-high", "hdop-rising"}),
    "age": Scale("age_s", _as_told, 1, "an age of corrections {} s", _NO_FIX | {"age-high", "corrections-aging"}),
    "load": Scale("load_ratio", lambda ratio: ratio * 100, 1, "a line load {} %", _SILENCES),
    "temperature": Scale("temperature_c", _as_told, 1, "a box temperature {} degrees Celsius"),
}  # fmt: skip


@dataclass(slots=True, frozen=True)
class Either:
    """A circumstance that is there or is not, from some figure of a second on, with the words for both."""

    of: str
    least: float
    there: str
    not_there: str


EITHERS: dict[str, Either] = {
    "moving": Either("speed_mps", _MOVING_MPS, "the machine moving", "the machine standing"),
    "turning": Either("turning_dps", _TURNING_DPS, "a turn", "straight going"),
    "supply": Either("supply_low", 1, "a low supply", "a good supply"),
}

_TOLD_BY: dict[str, frozenset[str]] = {"quality": _NO_FIX, **{name: scale.kinds for name, scale in SCALES.items()}}


def about_itself(circumstance: str, kind: str) -> bool:
    """Whether a fault of this kind is told by the circumstance, so that the answer is known and says nothing."""
    return kind in _TOLD_BY.get(circumstance, ())


def questions(seconds: Seconds) -> list[Question]:
    """All that can be asked of these seconds; a circumstance that was never known, or never changed, is left out."""
    asked = [_scale(name, scale, seconds) for name, scale in SCALES.items()]
    asked += [_either(name, either, seconds) for name, either in EITHERS.items()]
    asked += [_course(seconds), _quality(seconds), _place(seconds), _marks(seconds), _since(seconds), _of_day(seconds)]
    return [one for one in asked if one is not None and len(one.groups) > 0]


def _codes(codes: Iterable[int]) -> array[int]:
    """Half a day of them, of a dozen questions, would fill 5 MB as a list of each."""
    return array("I", codes)


def _scale(name: str, scale: Scale, seconds: Seconds) -> Question | None:
    values = [None if told is None else scale.take(told) for told in seconds.told(scale.of)]
    known = [value for value in values if value is not None]
    if len(known) < 2:
        return None
    limits = sorted({round(round(limit / scale.step) * scale.step, 3) for limit in quantiles(known, n=10)})
    limits = [limit for limit in limits if min(known) < limit <= max(known)]
    codes = _codes(UNKNOWN if value is None else 1 + bisect_right(limits, value) for value in values)
    groups, says = [], []
    every = range(1, len(limits) + 2)
    for number, limit in enumerate(limits, start=2):
        groups += [frozenset(every[number - 1 :]), frozenset(every[: number - 1])]
        says += [scale.words.format(f"{side} {limit:g}") for side in ("of at least", "below")]
    return _lagged(name, codes, groups, says)


def _either(name: str, either: Either, seconds: Seconds) -> Question | None:
    codes = _codes(UNKNOWN if told is None else 1 + (told >= either.least) for told in seconds.told(either.of))
    if not {1, 2} <= set(codes):
        return None
    return _lagged(name, codes, [frozenset({2}), frozenset({1})], [either.there, either.not_there])


def _course(seconds: Seconds) -> Question | None:
    codes = _codes(UNKNOWN if told is None else 1 + round(told / 45) % 8 for told in seconds.told("course_deg"))
    groups = [frozenset({1 + point}) for point in range(8)]
    groups += [frozenset({1 + point, 1 + (point + 1) % 8}) for point in range(8)]
    says = [f"a course about {point}" for point in _POINTS]
    says += [f"a course from {_POINTS[point]} to {_POINTS[(point + 1) % 8]}" for point in range(8)]
    return _lagged("course", codes, groups, says) if len(set(codes) - {UNKNOWN}) > 1 else None


def _quality(seconds: Seconds) -> Question | None:
    codes = _codes(UNKNOWN if told is None else 1 + int(told) for told in seconds.told("quality"))
    there = sorted(set(codes) - {UNKNOWN})
    if len(there) < 2:
        return None
    return _lagged("quality", codes, [frozenset({c}) for c in there], [f"fix quality {c - 1}" for c in there])


def _place(seconds: Seconds) -> Question | None:
    """Squares that overlap, so that no place falls between two, and strips along the passes and across them.

    A hollow or a shed is a square; a row of trees is a strip.
    """
    bearing = _bearing(seconds)
    number: dict[tuple[int, int], int] = {}
    codes = _codes(
        UNKNOWN
        if north_m is None or east_m is None
        else number.setdefault(_cell(north_m, east_m, bearing), len(number) + 1)
        for north_m, east_m in zip(seconds.told("north_m"), seconds.told("east_m"), strict=True)
    )
    if len(number) < 5:
        return None
    times = Counter(codes)
    spent = {cell: times[code] for cell, code in number.items()}
    said: dict[frozenset[int], str] = {}
    for (ahead, right, deep, broad), inside in sorted(_areas(spent).items(), key=_compact_first):
        group = frozenset(number[cell] for cell in inside)
        if group not in said and sum(spent[cell] for cell in inside) >= _PLACE_LEAST_S:
            said[group] = _where(ahead, right, deep, broad, bearing)
    return _lagged("place", codes, list(said), list(said.values()))


_Area = tuple[int, int, int, int]  # first cell ahead and to the right, and how many each way; 0: without end


def _compact_first(area: tuple[_Area, list[tuple[int, int]]]) -> tuple[float, _Area]:
    """Of areas that hold the same cells the smallest is told."""
    _, _, deep, broad = area[0]
    return deep * broad or math.inf, area[0]


def _areas(spent: Mapping[tuple[int, int], int]) -> dict[_Area, list[tuple[int, int]]]:
    """All squares and strips that hold a cell in which time was spent, with their cells."""
    areas: defaultdict[_Area, list[tuple[int, int]]] = defaultdict(list)
    for ahead, right in spent:
        for cells in _SQUARES:
            for up in range(cells):
                for aside in range(cells):
                    areas[ahead - up, right - aside, cells, cells].append((ahead, right))
        for back in range(_STRIP):
            areas[ahead - back, 0, _STRIP, 0].append((ahead, right))
            areas[0, right - back, 0, _STRIP].append((ahead, right))
    return areas


def _bearing(seconds: Seconds) -> float:
    """The way of the passes, 0 up to pi from north: there and back count as one."""
    turns = [math.radians(2 * told) for told in seconds.told("course_deg") if told is not None]
    return math.atan2(sum(map(math.sin, turns)), sum(map(math.cos, turns))) / 2 % math.pi


def _cell(north_m: float, east_m: float, bearing: float) -> tuple[int, int]:
    """Ahead along the passes, and to the right of them."""
    ahead_m = north_m * math.cos(bearing) + east_m * math.sin(bearing)
    right_m = east_m * math.cos(bearing) - north_m * math.sin(bearing)
    return floor(ahead_m / _CELL_M), floor(right_m / _CELL_M)


def _where(ahead: int, right: int, deep: int, broad: int, bearing: float) -> str:
    """An area in words, by its middle."""
    ahead_m, right_m = (ahead + deep / 2) * _CELL_M, (right + broad / 2) * _CELL_M
    north_m = ahead_m * math.cos(bearing) - right_m * math.sin(bearing)
    east_m = ahead_m * math.sin(bearing) + right_m * math.cos(bearing)
    if deep and broad:
        return f"the place {_off(north_m, east_m)} of where the watch began ({deep * _CELL_M:.0f} m square)"
    runs = bearing if broad else bearing + math.pi / 2
    point = round(math.degrees(runs) / 45) % 4
    return (
        f"a strip {_STRIP * _CELL_M:.0f} m wide that runs from {_POINTS[point]} to {_POINTS[point + 4]}, "
        f"{_off(north_m, east_m)} of where the watch began"
    )


def _off(north_m: float, east_m: float) -> str:
    parts = [
        f"{abs(metres):.0f} m {words[metres < 0]}"
        for metres, words in ((north_m, ("north", "south")), (east_m, ("east", "west")))
        if abs(metres) >= _CELL_M / 2
    ]
    return " and ".join(parts) or "within some metres"


def _marks(seconds: Seconds) -> Question | None:
    if not any(seconds.told("after_mark")):
        return None
    codes = _codes(1 + bool(told) for told in seconds.told("after_mark"))
    return Question("mark", codes, [frozenset({2})], ["in the minute after a mark"])


def _since(seconds: Seconds) -> Question | None:
    """The start of the watch stands for that of the machine, which feeds the box."""
    if not seconds:
        return None
    limits = [limit for limit in _SINCE_S if limit < seconds.starts_s[-1]]
    codes = _codes(1 + bisect_right(limits, at_s) for at_s in seconds.starts_s)
    every = range(1, len(limits) + 2)
    groups = [frozenset(every[:number]) for number in range(1, len(limits) + 1)]
    groups += [frozenset(every[number:]) for number in range(1, len(limits) + 1)]
    says = [f"in the first {_span(limit)}" for limit in limits]
    says += [f"after the first {_span(limit)}" for limit in limits]
    return Question("since-start", codes, groups, says, of_time=True)


def _of_day(seconds: Seconds) -> Question | None:
    """Hours of UTC, in stretches of one to four."""
    codes = _codes(UNKNOWN if told is None else 1 + int(told // 3600) % 24 for told in seconds.told("of_day_s"))
    if len(set(codes) - {UNKNOWN}) < 2:
        return None
    groups, says = [], []
    for hours in range(1, 5):
        for first in range(24):
            groups.append(frozenset(1 + (first + more) % 24 for more in range(hours)))
            begin, end = f"{first:02d}:00 UTC", f"{(first + hours) % 24:02d}:00 UTC"
            says.append(f"between {begin} and {end}")
    return Question("time-of-day", codes, groups, says, of_time=True)


def _span(seconds: int) -> str:
    return f"{seconds // 60} min" if seconds < 7200 else f"{seconds // 3600} h"


def _lagged(name: str, codes: array[int], groups: list[frozenset[int]], says: list[str]) -> Question:
    """What was known in the second before: a fault must not make its own circumstance."""
    lagged = _codes([UNKNOWN, *codes[:-1]])
    last, age_s = UNKNOWN, CARRY_S
    for at, code in enumerate(lagged if UNKNOWN in lagged[1:] else ()):
        if code:
            last, age_s = code, 0
        elif age_s < CARRY_S:
            age_s += 1
            lagged[at] = last
    return Question(name, lagged, groups, says, lagged=True)
