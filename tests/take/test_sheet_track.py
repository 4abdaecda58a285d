"""The track on the sheet is to scale, north up, and can be drawn wherever on earth it was."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest
from geographiclib.geodesic import Geodesic

from appliance.history.ways import Place
from appliance.take.sheet.drawing import Drawing, Ring, Way, Words
from appliance.take.sheet.plots import TRACK_HEIGHT, WIDTH, track

NS = 1_000_000_000


def places(*degrees: tuple[float, float]) -> list[Place]:
    return [(n * NS, round(lat * 1e7), round(lon * 1e7)) for n, (lat, lon) in enumerate(degrees)]


def points(drawing: Drawing) -> Iterator[tuple[float, float]]:
    for shape in drawing.shapes:
        if isinstance(shape, Way):
            yield from shape.points
        elif isinstance(shape, Ring | Words):
            yield shape.x, shape.y


def bar_m_per_mm(drawing: Drawing) -> float:
    """What the bar for scale says: the thick level line, and the words at its end."""
    (bar,) = [one for one in drawing.shapes if isinstance(one, Way) and one.width == 0.5 and one.ink == "ink"]
    (said,) = [one for one in drawing.shapes if isinstance(one, Words) and one.x == bar.points[1][0] + 1.5]
    number, unit = said.text.split()
    return float(number) * {"m": 1, "km": 1000}[unit] / (bar.points[1][0] - bar.points[0][0])


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg"), [(52.1, -1.2), (0.0, 0.0), (-44.5, 170.0), (68.0, 179.9995), (60.0, -180.0)]
)
def test_ways_on_paper_are_those_of_a_reference_library(latitude_deg: float, longitude_deg: float) -> None:
    """GeographicLib on WGS 84; a sphere of the mean radius is within 0.6 % of it, which no eye sees on paper."""
    corners = []
    for azimuth_deg, far_m in ((0, 0), (0, 400), (90, 700), (200, 300)):
        at = Geodesic.WGS84.Direct(latitude_deg, longitude_deg, azimuth_deg, far_m)
        corners.append((at["lat2"], at["lon2"]))
    drawing = track([places(*corners)])
    assert drawing is not None
    (way,) = [one for one in drawing.shapes if isinstance(one, Way) and one.width == 0.25]
    scale = bar_m_per_mm(drawing)
    for n in range(3):
        true = Geodesic.WGS84.Inverse(*corners[n], *corners[n + 1])
        (x1, y1), (x2, y2) = way.points[n : n + 2]
        assert math.hypot(x2 - x1, y2 - y1) * scale == pytest.approx(true["s12"], rel=0.006)
        turned = (math.degrees(math.atan2(x2 - x1, y1 - y2)) - true["azi1"] + 180) % 360 - 180
        assert abs(turned) < 0.4  # north is up, east to the right


@pytest.mark.parametrize(
    "run",
    [
        places((90, 0), (90, 179)), places((-90, 0), (-89.9, -179)), places((0, 0), (0.00000001, 0)),
        places((10, 10), (-10, -170)), places((52, 1)), places((52, 1), (52, 1.5)), places((52, 1), (52.5, 1)),
    ],
)  # fmt: skip
def test_whatever_was_told_stays_on_the_paper(run: list[Place]) -> None:
    drawing = track([run], [run[0][0], run[-1][0] + NS])
    assert drawing is not None
    assert drawing.height <= TRACK_HEIGHT
    for x, y in points(drawing):
        assert -0.01 <= x <= WIDTH + 0.01
        assert -0.01 <= y <= drawing.height + 0.01


def test_a_machine_that_stood_is_told_so_and_nothing_known_is_not_drawn() -> None:
    stood = track([places((52.1, -1.2), (52.100001, -1.2))])
    assert stood is not None
    (told,) = stood.shapes
    assert isinstance(told, Words)
    assert told.text.startswith("The machine stood, within 0.1 m of 52.10000° N, 1.20000° W")
    assert track([]) is None
    assert track([[]]) is None


def test_a_fault_is_drawn_where_the_machine_was_and_not_where_that_is_not_known() -> None:
    run = places(*((52.1 + n * 1e-4, -1.2) for n in range(100)))
    drawn = track([run], [50 * NS])
    far = track([run], [500 * NS])
    assert drawn is not None
    assert far is not None
    crosses = [one for one in drawn.shapes if isinstance(one, Way) and one.ink == "bad"]
    assert len(crosses) == 2
    assert [one for one in far.shapes if isinstance(one, Way) and one.ink == "bad"] == []
    (way,) = [one for one in drawn.shapes if isinstance(one, Way) and one.width == 0.25]
    middle = sum(x for x, _ in crosses[0].points) / 2, sum(y for _, y in crosses[0].points) / 2
    (x1, y1), (x2, y2) = way.points[0], way.points[-1]
    assert middle == pytest.approx((x1 + (x2 - x1) * 50 / 99, y1 + (y2 - y1) * 50 / 99), abs=0.1)
