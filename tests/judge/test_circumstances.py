"""Seconds of history, and of a running watch, as circumstances."""

from __future__ import annotations

from typing import Any

import pytest

from appliance.history.rows import BoxRow, FaultRow, MarkRow, SecondRow
from appliance.judge.circumstances import Onset, Second, Seconds, from_rows, onsets

SECOND = 1_000_000_000
START_NS = 500 * SECOND
METRE_DEG = 1 / 111_195  # of latitude, on a sphere of 6371 km


def row(at: int, north_m: float = 0.0, line: str = "from-receiver", **known: object) -> SecondRow:
    place = {"latitude_deg": 52 + north_m * METRE_DEG, "longitude_deg": -1.2}
    return SecondRow(line, START_NS + at * SECOND, 100, 5, 0, 0, 0.3, "go", **(place | known))  # type: ignore[arg-type]


def seconds_of(*args: Any, **known: Any) -> list[Second]:
    return list(from_rows(*args, **known))


def test_seconds_kept_by_what_they_tell_tell_it_again() -> None:
    rows = [row(at, 2.0 * at, latitude_deg=None if at == 3 else 50.0, quality=4) for at in range(6)]
    of = seconds_of(rows, START_NS, 0, [START_NS])
    kept = Seconds(of)
    assert len(kept) == 6
    assert list(kept.starts_s) == [one.at_s for one in of]
    for name in ("of_day_s", "east_m", "quality", "after_mark", "hdop", "supply_low"):
        assert list(kept.told(name)) == [getattr(one, name) for one in of]


def test_rows_give_place_course_and_load_of_the_receivers_line() -> None:
    rows = [row(at, 3.0 * at) for at in range(20)] + [row(20, line="from-controller")]
    seconds = seconds_of(rows, START_NS, 0)
    assert len(seconds) == 20
    assert seconds[10].north_m == pytest.approx(30, rel=0.01)
    assert seconds[10].course_deg == pytest.approx(0, abs=0.1)
    assert seconds[10].turning_dps == pytest.approx(0, abs=0.1)
    assert (seconds[10].load_ratio, seconds[10].at_s, seconds[10].of_day_s) == (0.3, 10.0, 510.0)
    assert seconds[0].course_deg is None


def test_standing_has_no_course_and_an_undated_watch_no_time_of_day() -> None:
    second = seconds_of([row(at) for at in range(9)], START_NS)[-1]
    assert (second.course_deg, second.turning_dps, second.of_day_s) == (None, None, None)


def test_a_turn_is_told_by_the_way() -> None:
    from math import cos, radians, sin

    radius_m, rate_dps = 10.0, 12.0
    rows = []
    for at in range(20):
        east_deg = radius_m * (1 - cos(radians(rate_dps * at))) * METRE_DEG / cos(radians(52))
        rows.append(row(at, radius_m * sin(radians(rate_dps * at)), longitude_deg=-1.2 + east_deg))
    assert seconds_of(rows, START_NS)[15].turning_dps == pytest.approx(rate_dps, rel=0.05)


def test_a_mark_counts_for_the_minute_after_it_and_not_before() -> None:
    marks = [MarkRow(START_NS + 10 * SECOND, "button", "")]
    seconds = seconds_of([row(at) for at in range(100)], START_NS, marks_ns=[one.at_ns for one in marks])
    assert [one.at_s for one in seconds if one.after_mark] == [float(at) for at in range(10, 71)]


def test_where_no_place_is_known_nothing_is_made_up() -> None:
    second = seconds_of([row(0, latitude_deg=None, longitude_deg=None)], START_NS)[0]
    assert (second.north_m, second.course_deg) == (None, None)


def test_faults_of_history_become_onsets() -> None:
    fault = FaultRow("gap", "from-receiver", "GGA", START_NS + SECOND // 2, None, "", None, None, "")
    assert onsets([fault], START_NS) == [Onset("gap", 0.5, None)]


def test_how_the_box_is_holds_until_it_changes() -> None:
    boxes = [BoxRow(START_NS + 2 * SECOND, 40, False), BoxRow(START_NS + 5 * SECOND + SECOND // 2, 41, True)]
    seconds = seconds_of([row(at) for at in range(9)], START_NS, boxes=boxes)
    assert [one.temperature_c for one in seconds] == [None, None, 40, 40, 40, 41, 41, 41, 41]
    assert [one.supply_low for one in seconds] == [None, None, *[False] * 3, *[True] * 4]
    assert seconds_of([row(0)], START_NS)[0].supply_low is None
