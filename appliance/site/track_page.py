"""The page of the track: where the machine was, as a plan in metres, with north, a scale, and the faults on it.

It is drawn here, from the positions themselves, so that it needs no map from anywhere, and no JavaScript to be seen.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from flask import Flask, render_template

from appliance.history.reader import History
from appliance.history.rows import StoredFault
from appliance.history.ways import Place, Way
from appliance.measure.plane import Plane
from appliance.measure.simplify import simplify
from appliance.site.day_page import lines_of, wanted
from appliance.site.flags import Flag, flags
from appliance.site.spans import watch_words
from appliance.site.stretch import Stretch, about
from appliance.site.which_watch import chosen, offered
from appliance.site.words import NS, from_ns

SHOWN_MOST = 40
"""Faults that are put on the plan, the newest; more would hide it. Our choice."""
FINE = 1500
"""What lies off by less than the plan's width by so much cannot be seen on a phone. Our choice."""
POINTS_MOST = 4000
ROUND_M = 20.0
"""No plan is narrower than this: a machine that stands is not to be drawn as if it drove. Our choice."""
MARGIN = 0.08
CORE_SHARE = 0.005
"""Of the positions, so many at each edge may lie outside of the plan at first, where it would else be much wider."""
NARROW_PX = 340.0
"""The longer side of the plan as the narrowest phone shows it."""
BARS_M = [size * 10**power for power in range(-1, 6) for size in (1, 2, 5)]

Point = tuple[float, float, float]
"""s from the start of the stretch, metres to the east, metres to the north."""


@dataclass(slots=True, frozen=True)
class Spot:
    """A fault on the plan. number: as in the list below it. place: None where no position was told. over: its part of
    the way. around: where to look closer."""

    number: int
    fault: StoredFault
    place: tuple[float, float] | None
    over: str
    around: str


@dataclass(slots=True, frozen=True)
class Plan:
    """All in metres, north up: y grows downwards, as SVG has it. box: x, y, width, height. off_m: how true it is.
    breaks: in which no position came for longer than gap_s.

    flags: in px from their feet, of which dot_m are one; before a script knows how large the plan is shown.
    """

    box: tuple[float, float, float, float]
    paths: list[str]
    spots: list[Spot]
    flags: list[Flag]
    dot_m: float
    start: tuple[float, float]
    end: tuple[float, float]
    bar_m: float
    off_m: float
    length_m: float
    breaks: int
    gap_s: int


def install(app: Flask, history_path: Path) -> None:
    """Adds the page."""

    @app.get("/track")
    def track() -> str:
        with History(history_path) as history:
            watch = chosen(history)
            if watch is None:
                return render_template("track.html", watch=None)
            watches = offered(history, watch)
            stretch = wanted(watch)
            lines = lines_of(history, watch)
            way = history.way(watch.id, stretch.from_ns, stretch.to_ns, stretch.line)
            faults, older = history.newest_faults(watch.id, stretch.from_ns, stretch.to_ns, SHOWN_MOST)
        return render_template(
            "track.html", watch=watch, watches=watches, watch_words=watch_words, stretch=stretch,
            lines=lines, more=older,
            plan=plan(way, faults, stretch) if way else None, utc=lambda at_ns: from_ns(watch.utc_ns(at_ns)),
        )  # fmt: skip


def plan(way: Way, faults: Sequence[StoredFault], stretch: Stretch) -> Plan:
    """The plan of a way of one run and more, and of faults on it."""
    runs = _flat(way.runs, stretch.from_ns)
    box = _box(runs)
    off_m = max(box[2], box[3]) / FINE
    thin = [[run[at] for at in simplify(run, off_m)] for run in runs]
    while sum(map(len, thin)) > POINTS_MOST + len(thin):
        off_m *= 2
        thin = [[run[at] for at in simplify(run, off_m)] for run in runs]
    spots = [_spot(number, fault, runs, stretch) for number, fault in enumerate(faults, 1)]
    width = max(box[2], box[3])
    return Plan(
        box,
        [_path(run) for run in thin],
        spots,
        _flags(spots, box, width / NARROW_PX),
        width / NARROW_PX,
        (runs[0][0][1], -runs[0][0][2]),
        (runs[-1][-1][1], -runs[-1][-1][2]),
        max((bar for bar in BARS_M if bar <= width / 3), default=BARS_M[0]),
        off_m + way.off_m,
        sum(math.dist(one[1:], other[1:]) for run in thin for one, other in pairwise(run)),
        len(runs) - 1,
        way.gap_ns // NS,
    )


def _flags(spots: Sequence[Spot], box: tuple[float, float, float, float], dot_m: float) -> list[Flag]:
    left, top, width, _ = box
    places = [
        (spot.number, (spot.place[0] - left) / dot_m, (spot.place[1] - top) / dot_m) for spot in spots if spot.place
    ]
    return [
        Flag(one.numbers, (left + one.foot[0] * dot_m, top + one.foot[1] * dot_m),
             (one.at[0] - one.foot[0], one.at[1] - one.foot[1]))
        for one in flags(places, width / dot_m)
    ]  # fmt: skip


def _flat(way: list[list[Place]], from_ns: int) -> list[list[Point]]:
    places = sorted(place[1:] for run in way for place in run)
    latitude, longitude = places[len(places) // 2]
    plane = Plane(latitude / 1e7, longitude / 1e7)
    return [[((at_ns - from_ns) / NS, *plane.place(lat / 1e7, lon / 1e7)) for at_ns, lat, lon in run] for run in way]


def _box(runs: list[list[Point]]) -> tuple[float, float, float, float]:
    """What is seen at first: all, unless a few positions lie far from all others."""
    edges = []
    for axis in (1, 2):
        values = sorted(point[axis] for run in runs for point in run)
        low, high = values[int(len(values) * CORE_SHARE)], values[-1 - int(len(values) * CORE_SHARE)]
        if values[-1] - values[0] <= 3 * max(high - low, ROUND_M):
            low, high = values[0], values[-1]
        edges.append(((low + high) / 2, high - low))
    (east, wide), (north, tall) = edges
    wide, tall = (max(size * (1 + 2 * MARGIN), ROUND_M) for size in (wide, tall))
    wide, tall = max(wide, tall / 1.6), max(tall, wide / 1.6)  # neither a thread nor a ribbon
    return east - wide / 2, -north - tall / 2, wide, tall


def _path(run: Sequence[Point]) -> str:
    """An SVG path, in centimetres rounded; a run of one position is a dot."""
    places = [f"{_short(east)} {_short(-north)}" for _, east, north in run]
    return "M" + "L".join(places if len(places) > 1 else places * 2)


def _spot(number: int, fault: StoredFault, runs: list[list[Point]], stretch: Stretch) -> Spot:
    watch = stretch.watch
    end_ns = watch.last_ns if fault.end_ns is None else fault.end_ns
    begin_s, end_s = (fault.start_ns - stretch.from_ns) / NS, (end_ns - stretch.from_ns) / NS
    found = _at(runs, max(0.0, begin_s))
    over = "".join(_path(part) for run in runs if len(part := _between(run, begin_s, end_s)) > 1)
    around = about(watch, fault.start_ns, end_ns).of_line(stretch.line).query()
    return Spot(number, fault, None if found is None else (found[0], -found[1]), over, around)


def _at(runs: list[list[Point]], at_s: float) -> tuple[float, float] | None:
    """Where it was; where no position was told just then, where it was last. None before the first."""
    last = None
    for run in runs:
        if run[0][0] > at_s:
            break
        last = run
    if last is None:
        return None
    after = bisect_right(last, at_s, key=lambda point: point[0])
    if after == len(last):
        return last[-1][1:]
    (t_0, x_0, y_0), (t_1, x_1, y_1) = last[after - 1], last[after]
    share = (at_s - t_0) / (t_1 - t_0)
    return x_0 + share * (x_1 - x_0), y_0 + share * (y_1 - y_0)


def _between(run: list[Point], begin_s: float, end_s: float) -> list[Point]:
    """The part of a run from begin_s to end_s, its ends put in between positions."""
    begin_s, end_s = max(begin_s, run[0][0]), min(end_s, run[-1][0])
    if begin_s >= end_s:
        return []
    inner = [point for point in run if begin_s < point[0] < end_s]
    ends = [(at, *place) for at in (begin_s, end_s) if (place := _at([run], at))]
    return [ends[0], *inner, ends[-1]]


def _short(metres: float) -> str:
    return f"{metres:.2f}".rstrip("0").rstrip(".")


def scale_words(metres: float) -> str:
    """The length of the bar: "50 m", "2 km"."""
    return f"{metres / 1000:g} km" if metres >= 1000 else f"{metres:g} m"


def way_words(metres: float) -> str:
    """How far it went: "48 m", "3.2 km"."""
    return f"{metres / 1000:.1f} km" if metres >= 1000 else f"{metres:.0f} m"


FILTERS: dict[str, Any] = {"scale_words": scale_words, "scale_way": way_words}
