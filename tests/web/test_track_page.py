"""The plan of the track: true to its positions, whole at first sight, and with each fault where it was."""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from geographiclib.geodesic import Geodesic

from appliance.history.reader import History
from appliance.history.rows import FaultRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.site import track_page
from appliance.site.stretch import asked

S = 1_000_000_000
BEGIN_S = 600
UTC_NS = 1_777_852_800 * S
Way = Callable[[int], tuple[float, float] | None]


def drive(path: Path, way: Way, seconds: int, faults: tuple[tuple[int, int], ...] = ()) -> None:
    """way: metres to the east and north of 52.1 N 1.2 W by second; None: no position."""
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(BEGIN_S * S, UTC_NS, "x", "", "<b>tractor</b>", "0"))
        writer.date_watch(UTC_NS - BEGIN_S * S, 0.01)
        for n in range(seconds):
            place = way(n)
            latitude, longitude = moved(place) if place else (None, None)
            writer.add_second(
                SecondRow("from-receiver", (BEGIN_S + n) * S, 9, 1, 0, 0, 0.1, "go", 4, 12, 0.8, 1, latitude, longitude)
            )
        for number, (from_s, to_s) in enumerate(faults):
            begin_ns, end_ns = (BEGIN_S + from_s) * S, (BEGIN_S + to_s) * S
            row = FaultRow("gap", "from-receiver", "GGA", begin_ns, end_ns, f"<i>{number}</i>", 1, 1, "s")
            writer.close_fault(str(number), row)
        writer.commit()


def moved(place: tuple[float, float]) -> tuple[float, float]:
    east, north = place
    there = Geodesic.WGS84.Direct(52.1, -1.2, math.degrees(math.atan2(east, north)), math.hypot(east, north))
    return there["lat2"], there["lon2"]


def seen(path: Path, **query: str) -> track_page.Plan:
    with History(path) as history:
        watch = history.watch(1)
        stretch = asked(watch, query)
        way = history.way(1, stretch.from_ns, stretch.to_ns)
        return track_page.plan(way, list(history.faults_in_order(1)), stretch)


def lanes(n: int) -> tuple[float, float]:
    """To and fro, 400 m long and 12 m apart, at 2.5 m/s."""
    lane, along = divmod(2.5 * n, 400)
    return lane * 12, along if lane % 2 == 0 else 400 - along


def test_each_position_lies_as_near_to_the_line_as_is_told(tmp_path: Path) -> None:
    chance = random.Random(4)
    drive(tmp_path / "history.db", lambda n: (lanes(n)[0] + chance.gauss(0, 0.05), lanes(n)[1]), 5000)
    plan = seen(tmp_path / "history.db")
    corners = [[tuple(map(float, place.split())) for place in path[1:].split("L")] for path in plan.paths]
    assert sum(map(len, corners)) < 600
    east_0, north_0 = corners[0][0]
    for n in range(0, 5000, 7):
        east, north = lanes(n)
        x, y = east_0 + east, north_0 - north
        off_m = min(_from_leg((x, y), one, other) for line in corners for one, other in pairwise(line))
        assert off_m <= plan.off_m + 0.2  # with what noise puts on the position itself
    assert plan.length_m == pytest.approx(2.5 * 5000, rel=0.06)


def _from_leg(place: Sequence[float], one: Sequence[float], other: Sequence[float]) -> float:
    (x, y), (x_0, y_0), (x_1, y_1) = place, one, other
    long2 = (x_1 - x_0) ** 2 + (y_1 - y_0) ** 2
    share = max(0.0, min(1.0, ((x - x_0) * (x_1 - x_0) + (y - y_0) * (y_1 - y_0)) / long2)) if long2 else 0.0
    return math.hypot(x_0 + share * (x_1 - x_0) - x, y_0 + share * (y_1 - y_0) - y)


def test_nothing_is_drawn_where_no_position_came(tmp_path: Path) -> None:
    drive(tmp_path / "history.db", lambda n: None if 100 <= n < 130 else (3.0 * n, 0.0), 300)
    plan = seen(tmp_path / "history.db")
    assert (len(plan.paths), plan.breaks) == (2, 1)
    ends = [[float(place.split()[0]) for place in path[1:].split("L")] for path in plan.paths]
    assert ends[1][0] - ends[0][-1] == pytest.approx(93, abs=0.1)


def test_a_fault_stands_where_it_was_and_as_far_as_it_lasted(tmp_path: Path) -> None:
    drive(tmp_path / "history.db", lambda n: (0.0, 2.0 * n), 400, ((150, 200),))
    plan = seen(tmp_path / "history.db")
    (spot,) = plan.spots
    assert spot.place is not None
    assert math.dist(spot.place, plan.start) == pytest.approx(300, abs=0.5)
    ends = [float(place.split()[1]) for place in spot.over[1:].split("L")]
    assert ends[0] - ends[-1] == pytest.approx(100, abs=0.5)
    assert spot.around == "watch=1&from=2026-05-04T00:00:30&to=2026-05-04T00:05:20"


def test_a_position_far_away_does_not_make_the_rest_small(tmp_path: Path) -> None:
    drive(tmp_path / "history.db", lambda n: (90_000.0, 0.0) if n == 700 else lanes(n), 2000)
    plan = seen(tmp_path / "history.db")
    assert max(plan.box[2:]) < 700


def test_a_machine_that_stands_is_not_drawn_as_if_it_drove(tmp_path: Path) -> None:
    chance = random.Random(2)
    drive(tmp_path / "history.db", lambda _: (chance.gauss(0, 0.01), chance.gauss(0, 0.01)), 200)
    plan = seen(tmp_path / "history.db")
    assert min(plan.box[2:]) >= track_page.ROUND_M / 1.6
    assert plan.bar_m == 5


def test_the_page_draws_it_and_escapes_what_it_is_called(page: Any) -> None:
    drive(page.history_path, lanes, 1000, ((100, 110), (500, 505)))
    html = page.html("/track")
    assert html.count('class="driven"') == 1
    assert html.count("The track around it") == 2
    assert "&lt;i&gt;1&lt;/i&gt;" in html
    assert "<i>" not in html
    assert "<b>tractor" not in html
    assert re.search(r"2\.[4-6] km driven\. Drawn to within 0\.\d m", html)
    assert html.count('class="pin"') == 4
    assert html.count('class="flag"') == 2


@pytest.mark.parametrize(("metres", "says"), [(0.5, "0.5 m"), (50, "50 m"), (2000, "2 km")])
def test_the_scale_is_told_in_round_numbers(metres: float, says: str) -> None:
    assert track_page.scale_words(metres) == says


def test_without_a_position_it_says_so(past: Any, page: Any) -> None:
    assert "No position was told on this line in this stretch" in past.html("/track")
    past.html("/track?watch=7", 404)
    past.html("/track?from=noon", 400)


def test_a_box_that_recorded_nothing_says_so(page: Any) -> None:
    with HistoryWriter(page.history_path):
        pass
    assert "Nothing was recorded yet." in page.html("/track")


def test_the_second_line_can_be_chosen_where_it_carried_sentences(page: Any) -> None:
    """The controller, too, tells positions here: to the south, at half the pace, and RMC alone."""
    drive(page.history_path, lambda n: (0.0, 2.0 * n), 200)
    assert 'data-line="' not in page.html("/track")
    with HistoryWriter(page.history_path) as writer:
        writer.begin_watch(WatchStart(BEGIN_S * S, UTC_NS, "x", "", "x", "0"))
        for n in range(200):
            for line, metres, talker in (("from-receiver", 2.0 * n, "GNGGA"), ("from-controller", -1.0 * n, "PXYZ")):
                latitude, longitude = moved((0.0, metres))
                row = SecondRow(line, (BEGIN_S + n) * S, 9, 1, 0, 0, 0.1, "go", 4, 12, 0.8, 1, latitude, longitude)
                writer.add_second(replace(row, messages={talker: 1}))
        writer.commit()
    html = page.html("/track")
    assert 'data-line="from-receiver" href="/track?watch=2" aria-current="true"' in html
    assert 'data-line="from-controller" href="/track?watch=2&amp;line=from-controller"' in html
    assert "398 m driven" in html
    other = page.html("/track?watch=2&line=from-controller")
    assert "199 m driven" in other
    assert 'href="/day?watch=2&amp;line=from-controller"' in other
    told = [plot["key"] for plot in page.client.get("/day.json?watch=2&line=from-controller").json["plots"]]
    assert "PXYZ" in told
    assert "GNGGA" not in told
    assert "GNGGA" in [plot["key"] for plot in page.client.get("/day.json?watch=2").json["plots"]]
    page.html("/track?line=x", 400)
    page.html("/day?line=x", 400)
    with History(page.history_path) as history:
        assert [history.lines(watch) for watch in (1, 2)] == [["from-receiver"], ["from-receiver", "from-controller"]]
