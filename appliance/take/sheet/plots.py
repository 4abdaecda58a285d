"""The pictures of a sheet: rates and verdict over time, and the track; from what history keeps summed up."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Sequence

from appliance.history.reader import History
from appliance.history.schema import RECEIVER, VERDICTS
from appliance.history.summaries import Summary
from appliance.history.ways import E7_M, Place, short_way_e7, thinned
from appliance.judge.needs import MessageNeed
from appliance.take.sheet.drawing import Area, Drawing, Point, Ring, Way, Words
from appliance.take.sheet.figures import Figures
from appliance.take.utc import moment

S = 1_000_000_000
WIDTH = 180.0
LEFT = 24.0
STRIP = 15.0
STEPS = 240
"""Steps of a picture of rates; each is at least a second."""
TICKS_S = (10, 30, 60, 300, 600, 1800, 3600, 7200, 14_400, 21_600, 43_200, 86_400)
TRACK_HEIGHT = 112.0
MARGIN = 8.0
STILL_M = 2.0
"""A track within this is one of a machine that stood."""
POINTS_ACROSS = 1500
"""The track is thinned to this many steps across the picture: finer than paper shows."""


def rates(history: History, of: Figures) -> Drawing | None:
    """A strip for each message that is needed, under each other, and the verdict; None where there is no second."""
    if not of.seconds.count:
        return None
    span = of.span
    step_ns = max(S, -(-(span.to_ns - span.from_ns) // STEPS // S) * S)
    summary = history.summary(of.watch.id, RECEIVER, span.from_ns, span.to_ns, step_ns)
    height = STRIP * len(of.needs.messages) + 16.0
    drawing = Drawing(WIDTH, height, "Rate of each message that is needed, and the verdict, over time")
    scale = _Scale(summary, span.from_ns, span.to_ns)
    top = 2.0
    for need in of.needs.messages.values():
        _strip(drawing, scale, summary, need, top)
        top += STRIP
    _verdict(drawing, scale, summary, top)
    _time(drawing, scale, of, top + 8.0)
    return drawing


class _Scale:
    """Places of times on the paper."""

    def __init__(self, summary: Summary, from_ns: int, to_ns: int) -> None:
        self.summary, self.from_ns, self.to_ns = summary, from_ns, to_ns

    def x(self, at_ns: float) -> float:
        share = (at_ns - self.from_ns) / (self.to_ns - self.from_ns)
        return LEFT + (WIDTH - LEFT) * min(1.0, max(0.0, share))

    def step(self, place: int) -> tuple[float, float]:
        begin_ns = self.summary.zero_ns + place * self.summary.step_ns
        return self.x(begin_ns), self.x(begin_ns + self.summary.step_ns)


def _strip(drawing: Drawing, scale: _Scale, summary: Summary, need: MessageNeed, top: float) -> None:
    counts: dict[int, float] = {}
    for name, places in summary.series.items():
        if name[-3:] == need.type and len(name) > 3 and name.isupper():
            for place, one in places.items():
                counts[place] = counts.get(place, 0.0) + one.total
    listened = {place: one.seconds for place, one in summary.series.get("verdict", {}).items()}
    most = max([need.rate_most_hz * 1.15, *(counts.get(place, 0) / n for place, n in listened.items())])
    base, high = top + STRIP - 2.0, STRIP - 4.0

    def y(rate_hz: float) -> float:
        return base - high * rate_hz / most

    allowed = y(need.rate_most_hz), y(need.rate_least_hz)
    drawing.add(
        Area(LEFT, allowed[0], WIDTH - LEFT, allowed[1] - allowed[0]),
        Way([(LEFT, y(need.rate_hz)), (WIDTH, y(need.rate_hz))], 0.15, "soft", 1.0),
        Way([(LEFT, base), (WIDTH, base)], 0.15, "hair"),
        Words(0, top + 5.5, need.type, 8.0, bold=True),
        Words(0, top + 9.5, f"needs {need.rate_hz:g} Hz", 6.5),
        Words(LEFT - 1.2, base + 0.8, "0", 6.0, "end"),
    )
    for run in _runs(sorted(listened)):
        points: list[Point] = []
        for place in run:
            rate = y(counts.get(place, 0.0) / listened[place])
            points += [(x, rate) for x in scale.step(place)]
        drawing.add(Way(points, 0.3))


def _runs(places: Sequence[int]) -> Iterator[list[int]]:
    run: list[int] = []
    for place in places:
        if run and place != run[-1] + 1:
            yield run
            run = []
        run.append(place)
    if run:
        yield run


def _verdict(drawing: Drawing, scale: _Scale, summary: Summary, top: float) -> None:
    """The worse, the taller, so that it can be read without colour."""
    base = top + 6.0
    drawing.add(
        Words(0, base - 1.5, "Verdict", 8.0, bold=True), Words(0, base + 1.5, "tall: no-go", 6.5),
        Way([(LEFT, base), (WIDTH, base)], 0.15, "hair"),
    )  # fmt: skip
    looks = {"go": (0.9, "soft"), "wait": (2.4, "hair"), "no-go": (5.0, "bad")}
    for place, one in summary.series.get("verdict", {}).items():
        height, ink = looks[VERDICTS[int(one.most)]]
        begin, end = scale.step(place)
        drawing.add(Area(begin, base - height, max(0.25, end - begin), height, ink))  # type: ignore[arg-type]


def _time(drawing: Drawing, scale: _Scale, of: Figures, top: float) -> None:
    """Ticks at round times of the UTC day; at the first of each day its date."""
    watch, span = of.watch, of.span
    length_s = (span.to_ns - span.from_ns) / S
    every_s = next((one for one in TICKS_S if length_s / one <= 8), TICKS_S[-1] * math.ceil(length_s / 8 / 86_400))
    at_ns = -(-watch.utc_ns(span.from_ns) // (every_s * S)) * every_s * S - watch.utc_offset_ns
    form = "%H:%M:%S" if every_s < 60 else "%H:%M"
    date = None
    while at_ns <= span.to_ns:
        when = moment(watch, at_ns)
        x = scale.x(at_ns)
        drawing.add(
            Way([(x, 2.0), (x, top)], 0.1, "hair"), Words(min(x, WIDTH - 4), top + 3.0, f"{when:{form}}", 6.5, "middle")
        )
        if of.dated and when.date() != date:
            drawing.add(Words(min(x, WIDTH - 7), top + 6.0, f"{when:%Y-%m-%d}", 6.0, "middle"))
        date = when.date()
        at_ns += every_s * S
    drawing.add(Words(0, top + 3.0, "UTC", 6.5))


def track(runs: Sequence[Sequence[Place]], faults_ns: Sequence[int] = ()) -> Drawing | None:
    """Where the machine was, north up, with a bar for scale and a cross where a fault began; None where not told."""
    runs = [run for run in runs if run]
    if not runs:
        return None
    field = _Field(runs)
    if field.across_m <= STILL_M:
        drawing = Drawing(WIDTH, 8.0, "The machine stood")
        metres = max(0.1, field.across_m)
        drawing.add(Words(0, 5.0, f"The machine stood, within {metres:.1f} m of {field.middle}.", 8.0))
        return drawing
    drawing = Drawing(WIDTH, field.height, "Track of the machine, north up, with a bar for scale")
    frame = [(0.0, 0.0), (WIDTH, 0.0), (WIDTH, field.height), (0.0, field.height), (0.0, 0.0)]
    drawing.add(Way(frame, 0.15, "hair"))
    for run in runs:
        few = thinned(list(run), field.across_m / POINTS_ACROSS)
        points = [field.at(place) for place in few]
        drawing.add(Way(points, 0.25) if len(points) > 1 else Ring(*points[0], 0.3, filled=True))
    for at_ns in faults_ns:
        if place := _nearest(runs, at_ns):
            x, y = field.at(place)
            drawing.add(
                Way([(x - 1.3, y - 1.3), (x + 1.3, y + 1.3)], 0.5, "bad"),
                Way([(x - 1.3, y + 1.3), (x + 1.3, y - 1.3)], 0.5, "bad"),
            )
    drawing.add(Ring(*field.at(runs[0][0]), 1.3), Ring(*field.at(runs[-1][-1]), 1.0, filled=True))
    _legend(drawing, field)
    return drawing


class _Field:
    """From places to the paper: metres about the middle, by one scale."""

    def __init__(self, runs: Sequence[Sequence[Place]]) -> None:
        first = runs[0][0]
        norths = [place[1] for run in runs for place in run]
        easts = [short_way_e7(place[2] - first[2]) for run in runs for place in run]
        self.north = (min(norths) + max(norths)) / 2
        self.east = (min(easts) + max(easts)) / 2
        self.from_east = first[2]
        self.east_m = E7_M * max(1e-6, math.cos(math.radians(self.north / 1e7)))
        high_m, wide_m = (max(norths) - min(norths)) * E7_M, (max(easts) - min(easts)) * self.east_m
        self.across_m = max(high_m, wide_m)
        inner = WIDTH - 2 * MARGIN, TRACK_HEIGHT - 2 * MARGIN - 6.0
        self.scale = min(inner[0] / max(wide_m, 1e-3), inner[1] / max(high_m, 1e-3))
        self.height = min(TRACK_HEIGHT, max(45.0, high_m * self.scale + 2 * MARGIN + 6.0))

    def at(self, place: Place) -> Point:
        east = (short_way_e7(place[2] - self.from_east) - self.east) * self.east_m
        north = (place[1] - self.north) * E7_M
        return WIDTH / 2 + east * self.scale, (self.height - 6.0) / 2 - north * self.scale

    @property
    def middle(self) -> str:
        latitude, longitude = self.north / 1e7, short_way_e7(round(self.from_east + self.east)) / 1e7
        north, east = "N" if latitude >= 0 else "S", "E" if longitude >= 0 else "W"
        return f"{abs(latitude):.5f}° {north}, {abs(longitude):.5f}° {east}"


def _legend(drawing: Drawing, field: _Field) -> None:
    base = field.height - 3.0
    bar_m = _round_below(42.0 / field.scale)
    end = 4.0 + bar_m * field.scale
    words = f"{bar_m / 1000:g} km" if bar_m >= 1000 else f"{bar_m:g} m"
    told = f"ring: start; dot: end; cross: a fault began. Middle: {field.middle}"
    x = WIDTH - 6.0
    drawing.add(
        Way([(4.0, base), (end, base)], 0.5),
        Way([(4.0, base - 1), (4.0, base + 1)], 0.3),
        Way([(end, base - 1), (end, base + 1)], 0.3),
        Words(end + 1.5, base + 0.8, words, 7.0),
        Words(WIDTH - 3.0, base + 0.8, told, 6.5, "end"),
        Way([(x, 12.0), (x, 4.5)], 0.4),
        Way([(x - 1.5, 7.0), (x, 4.0), (x + 1.5, 7.0)], 0.4),
        Words(x, 15.2, "N", 8.0, "middle", bold=True),
    )


def _nearest(runs: Sequence[Sequence[Place]], at_ns: int) -> Place | None:
    """Where the machine was last known to be by then, within the minute."""
    found = None
    for run in runs:
        at = bisect_left(run, (at_ns + 1, 0, 0)) - 1
        if at >= 0:
            found = run[at]
    return found if found and at_ns - found[0] <= 60 * S else None


def _round_below(value: float) -> float:
    ten = 10.0 ** math.floor(math.log10(value))
    return next(ten * one for one in (5, 2, 1) if ten * one <= value)
