"""What was measured in the half minute before and after a fault, and the way gone in it, as small pictures.

Long faults are shown about their start and about their end. Pictures are drawn here, as SVG, and need no script.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from appliance.history.rows import SecondRow
from appliance.site.words import NS

AROUND_S = 30
LONG_S = 120
"""A fault that lasts longer is shown about its start and about its end."""
WIDTH, HEIGHT = 320, 60
TRACK = 200
_RADIUS_M = 6_371_000.0
_BARS_M = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)


@dataclass(slots=True, frozen=True)
class Window:
    """A stretch of a watch, in ns of its clock. title: where in the fault it lies."""

    title: str
    from_ns: int
    to_ns: int


@dataclass(slots=True, frozen=True)
class Picture:
    """One figure second by second. path: SVG, in WIDTH x HEIGHT. top: its greatest value, with its unit.

    says: in words. struck: where the fault lies, as (x, width).
    """

    title: str
    path: str
    top: str
    says: str
    struck: tuple[float, float]


@dataclass(slots=True, frozen=True)
class Way:
    """The way gone, north up, TRACK wide or high. struck: the part of it within the fault; end: its last place.

    bar, bar_m: a scale, as its length in the picture and in metres.
    """

    width: int
    height: int
    path: str
    struck: str
    end: tuple[float, float]
    bar: float
    bar_m: int


@dataclass(slots=True, frozen=True)
class Around:
    """All that is shown of one window. way None: no position was told in it, or the machine stood."""

    window: Window
    pictures: list[Picture]
    way: Way | None


def windows(start_ns: int, end_ns: int | None) -> list[Window]:
    """One about a short fault, two about a long one; one that is still on has no end yet."""
    margin_ns = AROUND_S * NS
    if end_ns is None:
        return [Window("Around its start", start_ns - margin_ns, start_ns + margin_ns)]
    if end_ns - start_ns <= LONG_S * NS:
        return [Window("Half a minute before and after", start_ns - margin_ns, end_ns + margin_ns)]
    return [
        Window("Around its start", start_ns - margin_ns, start_ns + margin_ns),
        Window("Around its end", end_ns - margin_ns, end_ns + margin_ns),
    ]


_FIGURES: tuple[tuple[str, str, Callable[[SecondRow], float | None]], ...] = (
    ("Sentences a second", "", lambda row: row.sentences),
    ("Damaged a second", "", lambda row: row.damaged),
    ("Fix quality", "", lambda row: row.quality),
    ("Speed", "km/h", lambda row: None if row.speed_mps is None else row.speed_mps * 3.6),
)


def around(window: Window, rows: Sequence[SecondRow], start_ns: int, end_ns: int | None) -> Around:
    """The pictures of a window. rows: its seconds, of the line from the receiver."""
    struck = _struck(window, start_ns, end_ns)
    pictures = [
        picture
        for title, unit, take in _FIGURES
        if (picture := _picture(title, unit, [(row.second_ns, take(row)) for row in rows], window, struck))
    ]
    return Around(window, pictures, _way(rows, start_ns, end_ns))


def _struck(window: Window, start_ns: int, end_ns: int | None) -> tuple[float, float]:
    begins = max(start_ns, window.from_ns)
    ends = window.to_ns if end_ns is None else min(end_ns, window.to_ns)
    return _x(begins, window), max(1.0, _x(ends, window) - _x(begins, window))


def _x(at_ns: int, window: Window) -> float:
    return round((at_ns - window.from_ns) / (window.to_ns - window.from_ns) * WIDTH, 1)


def _picture(
    title: str, unit: str, values: Sequence[tuple[int, float | None]], window: Window, struck: tuple[float, float]
) -> Picture | None:
    """A line of steps, broken where nothing is known. None where it never was, or never anything but zero."""
    known = [value for _, value in values if value is not None]
    most = max(known, default=0.0)
    if most <= 0:
        return None
    path, last = [], False
    for second_ns, value in values:
        if value is None:
            last = False
            continue
        y = round(HEIGHT - 2 - max(0.0, value) / most * (HEIGHT - 6), 1)
        path.append(f"{'L' if last else 'M'}{_x(second_ns, window)} {y}H{_x(second_ns + NS, window)}")
        last = True
    least = min(known)
    figures = f"{least:.0f}" if round(least) == round(most) else f"{least:.0f} to {most:.0f}"
    return Picture(title, "".join(path), f"{most:.0f} {unit}".rstrip(), f"{title}: {figures} {unit}".rstrip(), struck)


def _way(rows: Sequence[SecondRow], start_ns: int, end_ns: int | None) -> Way | None:
    places = [
        (row.second_ns, row.latitude_deg, row.longitude_deg)
        for row in rows
        if row.latitude_deg is not None and row.longitude_deg is not None
    ]
    if len(places) < 2:
        return None
    north_deg, east_deg = places[0][1], places[0][2]
    metres = [
        (
            math.radians((longitude - east_deg + 180) % 360 - 180) * _RADIUS_M * math.cos(math.radians(north_deg)),
            math.radians(latitude - north_deg) * _RADIUS_M,
        )
        for _, latitude, longitude in places
    ]
    (left, right), (low, high) = _span([x for x, _ in metres]), _span([y for _, y in metres])
    size_m = max(right - left, high - low)
    if size_m < 1.0:
        return None
    scale = (TRACK - 24) / size_m
    points = [(round(12 + (x - left) * scale, 1), round(12 + (high - y) * scale, 1)) for x, y in metres]
    within = [
        point
        for point, (at_ns, _, _) in zip(points, places, strict=True)
        if at_ns + NS >= start_ns and (end_ns is None or at_ns <= end_ns)
    ]
    bar_m = max((one for one in _BARS_M if one <= size_m / 2), default=1)
    width, height = (round(24 + metres * scale) for metres in (right - left, high - low))
    return Way(width, height, _line(points), _line(within), points[-1], round(bar_m * scale, 1), bar_m)


def _span(values: Sequence[float]) -> tuple[float, float]:
    return min(values), max(values)


def _line(points: Sequence[tuple[float, float]]) -> str:
    """One place alone is a dot."""
    if len(points) == 1:
        points = [points[0], points[0]]
    return "".join(f"{'L' if number else 'M'}{x} {y}" for number, (x, y) in enumerate(points))
