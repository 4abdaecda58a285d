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

Place = tuple[int, int, int]
"""at_ns, and latitude and longitude in 1e-7 degrees."""
_ONE = struct.Struct("<Bii")
_BEGINS = 0x80
_S = 1_000_000_000
_E7_M = 6_371_008.8 * math.pi / 180e7
"""Metres in 1e-7 degrees of latitude, on a sphere of the mean radius: near enough for what is left out."""


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
    east_m = _E7_M * math.cos(math.radians(latitude / 1e7))
    points = [((t - at_ns) / _S, _turn(lon - longitude) * east_m, (lat - latitude) * _E7_M) for t, lat, lon in run]
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


def joined(minutes: Iterable[list[list[Place]]]) -> list[list[Place]]:
    """The runs of minutes that follow on each other, those made one that go on over the turn of a minute."""
    found: list[list[Place]] = []
    for runs_ in minutes:
        for number, run in enumerate(runs_):
            if number == 0 and found and run[0][0] - found[-1][-1][0] <= GAP_NS:
                found[-1] += run
            else:
                found.append(run)
    return found


def _turn(longitude_e7: int) -> int:
    """A difference of longitude the short way round."""
    return (longitude_e7 + 1_800_000_000) % 3_600_000_000 - 1_800_000_000
