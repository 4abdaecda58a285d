"""The lower edge of one-way delays: the receiver's schedule, free of what delays it on the way.

A sentence is only ever late, by the receiver's work, the host and the line; never early. So all points (UTC named,
delay) lie above the true line between the two clocks, and the line through the lower convex hull that has the least
sum of distances to the points is the estimate of it: the edge of the hull that spans their mean abscissa (S. Moon,
P. Skelly, D. Towsley, Estimation and removal of clock skew from network delay measurements, INFOCOM 1999; from memory).

Points come in order, so the hull is a monotone chain (A. M. Andrew, 1979): O(1) a point amortised, O(log h) a question.
It covers the last 5 to 10 minutes, since the slope changes with temperature: the newer half is kept as a hull of its
own as well, and takes the place of the whole when it is full (the hull of a hull's corners is that hull).
"""

from __future__ import annotations

from bisect import bisect_left

HALF_S = 300.0
"""Half of what the edge covers. Our choice: a slope of 200 ppm is 60 ms over it, beside delays of milliseconds."""
SLOPE_MOST = 500e-6
"""Steeper is no clock's slope: quartz keeps within 200 ppm with all that can go wrong (common practice, no source)."""
CORNERS_MOST = 512
"""Corners kept; where there are more, every other one is left out, which lifts the edge by next to nothing."""
_SPAN_LEAST_S = 60.0
"""Below this a millisecond of delay is a slope of more than 16 ppm, and none is told."""
_EDGE_SHARE = 0.1
"""Two points close together make no slope: the edge over the middle must itself span this share of all. Our choice."""


class _Chain:
    """The lower hull of points that come in order of x."""

    __slots__ = ("count", "x", "x_sum", "y")

    def __init__(self) -> None:
        self.x: list[float] = []
        self.y: list[float] = []
        self.count = 0
        self.x_sum = 0.0

    def add(self, x: float, y: float) -> None:
        self.count += 1
        self.x_sum += x
        xs, ys = self.x, self.y
        if xs and x <= xs[-1]:
            if y >= ys[-1]:
                return
            x = xs.pop()
            ys.pop()
        while len(xs) > 1 and (ys[-1] - ys[-2]) * (x - xs[-2]) >= (y - ys[-2]) * (xs[-1] - xs[-2]):
            xs.pop()
            ys.pop()
        xs.append(x)
        ys.append(y)
        if len(xs) > CORNERS_MOST:
            del xs[1:-1:2], ys[1:-1:2]

    def middle(self) -> tuple[float, float]:
        """Slope of the edge over the mean x, and how far that edge goes; (0, 0) before two corners."""
        if len(self.x) < 2:
            return 0.0, 0.0
        right = min(max(1, bisect_left(self.x, self.x_sum / self.count)), len(self.x) - 1)
        span = self.x[right] - self.x[right - 1]
        return (self.y[right] - self.y[right - 1]) / span, span

    def lowest(self, slope: float) -> float:
        """The least of y - slope * x: where a line of that slope touches the hull from below."""
        low, high = 0, len(self.x) - 1
        while low < high:
            middle = (low + high) // 2
            rise = self.y[middle + 1] - self.y[middle]
            if rise < slope * (self.x[middle + 1] - self.x[middle]):
                low = middle + 1
            else:
                high = middle
        return self.y[low] - slope * self.x[low]


class Edge:
    """Feed it, in order of x, what a clock says (x, s) and by how much later it was heard (y, s)."""

    def __init__(self) -> None:
        self._whole = _Chain()
        self._newer = _Chain()
        self._half_from = 0.0
        self._first = 0.0
        self._last = 0.0

    def add(self, x: float, y: float) -> float:
        """One point. Gives how far it lies above the edge, in seconds, at least 0."""
        if not self._whole.count:
            self._half_from = self._first = x
        elif x - self._half_from >= HALF_S:
            self._whole, self._newer = self._newer, _Chain()
            self._first, self._half_from = self._half_from, x
            if not self._whole.count or x - self._whole.x[-1] >= HALF_S:
                self._first = x  # after a gap as long, nothing of before is left
                self._whole = _Chain()
        self._whole.add(x, y)
        self._newer.add(x, y)
        self._last = x
        return max(0.0, y - self.at(x))

    @property
    def count(self) -> int:
        """Points that the edge rests on."""
        return self._whole.count

    def at(self, x: float) -> float:
        """The edge at x, in seconds: what a sentence without any further delay would show."""
        if not self._whole.count:
            raise ValueError("an edge needs a point")
        slope = max(-SLOPE_MOST, min(SLOPE_MOST, self._whole.middle()[0]))
        return self._whole.lowest(slope) + slope * x

    @property
    def slope(self) -> float | None:
        """Seconds gained a second; None until it can be told."""
        slope, span = self._whole.middle()
        spans = self._last - self._first
        if spans < _SPAN_LEAST_S or span < _EDGE_SHARE * spans or abs(slope) > SLOPE_MOST:
            return None
        return slope
