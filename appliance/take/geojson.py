"""The track as GeoJSON: a feature for each stretch of one fix quality, written as it is read.

Source: RFC 7946. Positions are longitude, latitude and, where it can be told, the height above the ellipsoid (section
4); a line that crosses the antimeridian is cut there (section 3.1.9); a single position is a Point, since a line has
two or more (section 3.1.4).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from appliance.history.reader import History
from appliance.history.rows import Watch
from appliance.measure.fix import QUALITY_WORDS
from appliance.take.positions import Position, positions
from appliance.take.stream import gathered
from appliance.take.utc import iso

POINTS_MOST = 600
"""Positions of a feature, so that one stays small in memory; the next goes on from its last. Our choice."""
_DEGREE_DIGITS = 9  # 0.1 mm
_HEIGHT_DIGITS = 4


def lines(
    history: History, watch: Watch, line: str, from_ns: int | None = None, to_ns: int | None = None
) -> Iterator[bytes]:
    """A FeatureCollection of the span. Properties: start_utc, end_utc, quality, fix, machine, dated_by."""
    return gathered(_written(history, watch, line, from_ns, to_ns))


def _written(history: History, watch: Watch, line: str, from_ns: int | None, to_ns: int | None) -> Iterator[bytes]:
    yield b'{"type":"FeatureCollection","features":['
    before = b"\n"
    for stretch in _stretches(history, watch, line, from_ns, to_ns):
        yield before + json.dumps(_feature(watch, stretch), separators=(",", ":")).encode()
        before = b",\n"
    yield b"\n]}\n"


def _stretches(
    history: History, watch: Watch, line: str, from_ns: int | None, to_ns: int | None
) -> Iterator[list[Position]]:
    """Runs of one quality, without a gap. One that is not parted from the last by a gap goes on from its end."""
    run: list[Position] = []
    for position, anew in positions(history, watch, line, from_ns, to_ns):
        if run and (anew or position.quality != run[-1].quality or len(run) >= POINTS_MOST):
            yield run
            run = [] if anew else [_as_of(run[-1], position.quality)]
        run.append(position)
    if run:
        yield run


def _as_of(position: Position, quality: int | None) -> Position:
    """The end of one stretch as the start of the next."""
    return Position(
        position.at_ns, position.latitude_deg, position.longitude_deg, quality,
        position.altitude_m, position.geoid_m,
    )  # fmt: skip


def _feature(watch: Watch, run: list[Position]) -> dict[str, Any]:
    quality = run[-1].quality
    return {
        "type": "Feature",
        "geometry": _geometry(run),
        "properties": {
            "start_utc": iso(watch, run[0].at_ns),
            "end_utc": iso(watch, run[-1].at_ns),
            "quality": quality,
            "fix": None if quality is None else QUALITY_WORDS.get(quality, ""),
            "machine": watch.machine,
            "dated_by": "line" if watch.dated else "box",
        },
    }


def _geometry(run: list[Position]) -> dict[str, Any]:
    places = [_place(one) for one in run]
    if len(places) == 1:
        return {"type": "Point", "coordinates": places[0]}
    parts = _cut(places)
    if len(parts) == 1:
        return {"type": "LineString", "coordinates": parts[0]}
    return {"type": "MultiLineString", "coordinates": parts}


def _place(of: Position) -> list[float]:
    place = [round(of.longitude_deg, _DEGREE_DIGITS), round(of.latitude_deg, _DEGREE_DIGITS)]
    if of.altitude_m is not None and of.geoid_m is not None:
        place.append(round(of.altitude_m + of.geoid_m, _HEIGHT_DIGITS))
    return place


def _cut(places: list[list[float]]) -> list[list[list[float]]]:
    """The line in parts, none of which crosses the antimeridian."""
    parts = [[places[0]]]
    for place in places[1:]:
        last = parts[-1][-1]
        if 180 < abs(place[0] - last[0]) < 360:
            edge = 180.0 if last[0] > 0 else -180.0
            share = (180 - abs(last[0])) / (360 - abs(place[0] - last[0]))
            rest = [
                round(here + (there - here) * share, _DEGREE_DIGITS)
                for here, there in zip(last[1:], place[1:], strict=False)
            ]
            parts[-1].append([edge, *rest])
            parts.append([[-edge, *rest]])
        parts[-1].append(place)
    return parts
