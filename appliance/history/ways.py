"""The way of a minute as history keeps it: few positions, which tell the others to a quarter of a metre.

Positions that follow on each other within GAP_NS are one run; runs are kept apart, also from minute to minute.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Iterator

from appliance.measure.simplify import simplify

OFF_MOST_M = 0.25
"""How far a position that is left out may lie from where it is told to be. Our choice: less than a wheel is wide."""
GAP_NS = 5_000_000_000
"""After so long without a position the way is broken. Our choice; as in what is taken away."""
PLACES_MOST = 8000
"""Positions of a way that are held at once, twice over: some 3 MB, and twice of what is drawn. Our choice."""
RUNS_MOST = 1000
"""Runs of a way; with more breaks nobody sees any. Our choice."""

Place = tuple[int, int, int]
"""at_ns, and latitude and longitude in 1e-7 degrees."""
_ONE = struct.Struct("<Bii")
_BEGINS = 0x80
_S = 1_000_000_000
E7_M = 6_371_008.8 * math.pi / 180e7
"""Metres in 1e-7 degrees of latitude, on a sphere of the mean radius: near enough for what is left
out, and for the picture of a field."""


def runs(places: Iterable[Place]) -> Iterator[list[Place]]:
    """places, in order of time, parted where none came for longer than GAP_NS."""
    run: list[Place] = []
    for place in places:
        if run and place[0] - run[-1][0] > GAP_NS:
            yield run
            run = []
        run.append(place)
    if run:
        yield run


def thinned(run: list[Place], off_most_m: float = OFF_MOST_M) -> list[Place]:
    """Those of a run that tell the others."""
    at_ns, latitude, longitude = run[0]
    east_m = E7_M * math.cos(math.radians(latitude / 1e7))
    points = [
        ((t - at_ns) / _S, short_way_e7(lon - longitude) * east_m, (lat - latitude) * E7_M) for t, lat, lon in run
    ]
    return [run[at] for at in simplify(points, off_most_m)]


def pack(minute_ns: int, places: Iterable[Place]) -> bytes:
    """The places of the minute that begins at minute_ns, to the second."""
    packed = bytearray()
    for run in runs(places):
        for number, (at_ns, latitude, longitude) in enumerate(thinned(run)):
            second = (at_ns - minute_ns) // _S
            packed += _ONE.pack(second | (0 if number else _BEGINS), latitude, longitude)
    return bytes(packed)


def unpack(minute_ns: int, packed: bytes) -> list[list[Place]]:
    """The runs of a minute."""
    found: list[list[Place]] = []
    for second, latitude, longitude in _ONE.iter_unpack(packed):
        if second & _BEGINS:
            found.append([])
        found[-1].append((minute_ns + (second & ~_BEGINS) * _S, latitude, longitude))
    return found


class Way:
    """The way of any stretch, in runs without a gap, in memory that does not grow with it.

    off_m: how far a position that is left out may lie from where it is told to be. gap_ns: after so long without a
    position the way is broken; longer than GAP_NS where there would be more than RUNS_MOST runs.
    """

    def __init__(self, parts: Iterable[list[Place]] = ()) -> None:
        """parts: of runs, or single positions, in order of time, thinned to OFF_MOST_M at most."""
        self.runs: list[list[Place]] = []
        self.gap_ns = GAP_NS
        self._thinned_m = 0.0
        fresh: list[list[Place]] = []
        count = 0
        for part in parts:
            _put(fresh, part, GAP_NS)
            count += len(part)
            if count > PLACES_MOST:
                self._take(fresh)
                fresh, count = [], 0
        self._take(fresh)

    def __bool__(self) -> bool:
        return bool(self.runs)

    @property
    def off_m(self) -> float:
        """Each thinning is twice as coarse as the one before, so that all together are below twice the last."""
        return OFF_MOST_M + 2 * self._thinned_m

    def _take(self, fresh: list[list[Place]]) -> None:
        for run in fresh:
            _put(self.runs, thinned(run, self._thinned_m) if self._thinned_m else run, self.gap_ns)
        while len(self.runs) > RUNS_MOST:
            self.gap_ns *= 2
            longer: list[list[Place]] = []
            for run in self.runs:
                _put(longer, run, self.gap_ns)
            self.runs = longer
        while sum(map(len, self.runs)) > PLACES_MOST + 2 * len(self.runs):
            self._thinned_m = 2 * self._thinned_m or OFF_MOST_M
            self.runs = [thinned(run, self._thinned_m) for run in self.runs]


def _put(runs_: list[list[Place]], part: list[Place], gap_ns: int) -> None:
    """Behind the last run, or on its end."""
    if runs_ and part[0][0] - runs_[-1][-1][0] <= gap_ns:
        runs_[-1] += part
    else:
        runs_.append(part)


def short_way_e7(longitude_e7: int) -> int:
    """A difference of longitude, in 1e-7 degrees, the short way round."""
    return (longitude_e7 + 1_800_000_000) % 3_600_000_000 - 1_800_000_000
