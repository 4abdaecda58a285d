"""The way of a stretch of any length: true to what is told of it, and never more of it than a bound."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Iterator

from appliance.history.ways import GAP_NS, OFF_MOST_M, PLACES_MOST, RUNS_MOST, Place, Way

S = 1_000_000_000
METRE_E7 = 1e7 / 111_195  # of latitude, on a sphere of 6371 km


def driven(count: int, seed: int = 1, break_each: int = 0) -> Iterator[Place]:
    """A machine that wanders about the equator at some 2 m/s, a position a second; a break each so many seconds."""
    chance = random.Random(seed)
    at_s = 0
    east = north = 0.0
    for number in range(count):
        at_s += 7 if break_each and number % break_each == 0 else 1
        east, north = east + chance.uniform(-1, 3), north + chance.uniform(-2, 2)
        yield at_s * S, round(north * METRE_E7), round(east * METRE_E7)


def off_m(way: Way, place: Place) -> float:
    """How far a position lies from where the way tells that it was then."""
    at_ns, latitude, longitude = place
    run = way.runs[bisect_right(way.runs, at_ns, key=lambda run: run[0][0]) - 1]
    after = max(1, bisect_right(run, at_ns - 1, key=lambda one: one[0]))
    (t_0, lat_0, lon_0), (t_1, lat_1, lon_1) = run[after - 1], run[min(after, len(run) - 1)]
    share = (at_ns - t_0) / (t_1 - t_0) if t_1 > t_0 else 0.0
    away = lat_0 + share * (lat_1 - lat_0) - latitude, lon_0 + share * (lon_1 - lon_0) - longitude
    return float((away[0] ** 2 + away[1] ** 2) ** 0.5 / METRE_E7)


def test_a_way_of_few_positions_is_kept_as_it_is() -> None:
    places = list(driven(1000, break_each=300))
    way = Way([place] for place in places)
    assert [place for run in way.runs for place in run] == places
    assert [len(way.runs), way.off_m, way.gap_ns] == [4, OFF_MOST_M, GAP_NS]


def test_a_way_of_many_is_thinned_and_tells_how_true_it_is_still() -> None:
    way = Way([place] for place in driven(30_000, break_each=9000))
    assert sum(map(len, way.runs)) <= PLACES_MOST + 2 * len(way.runs)
    assert len(way.runs) == 4
    worst = max(off_m(way, place) for place in driven(30_000, break_each=9000))
    assert OFF_MOST_M < worst <= way.off_m - OFF_MOST_M + 0.02  # nothing was left out before; 1e-7 degrees are 1 cm


def test_more_breaks_than_anybody_sees_are_told_only_where_they_last_longer() -> None:
    way = Way([place] for place in driven(9000, break_each=4))
    assert len(way.runs) == 1
    assert way.gap_ns == 2 * GAP_NS
    assert len(Way([place] for place in driven(4 * RUNS_MOST, break_each=4)).runs) == RUNS_MOST
