"""The small pictures about a fault: where it lies, where nothing is known, and the way north up."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest

from appliance.history.rows import SecondRow
from appliance.site.around import HEIGHT, TRACK, WIDTH, Window, around, windows
from appliance.site.words import NS


def row(second: int, **known: Any) -> SecondRow:
    usual: dict[str, Any] = {"bytes": 800, "sentences": 12, "damaged": 0, "junk": 0, "load_ratio": 0.2, "verdict": "go"}
    return SecondRow("from-receiver", second * NS, **(usual | known))


def test_a_short_fault_has_one_window_a_long_one_two_one_that_lasts_only_its_start() -> None:
    assert [(one.from_ns // NS, one.to_ns // NS) for one in windows(100 * NS, 110 * NS)] == [(70, 140)]
    assert [(one.from_ns // NS, one.to_ns // NS) for one in windows(100 * NS, 900 * NS)] == [(70, 130), (870, 930)]
    assert [(one.from_ns // NS, one.to_ns // NS) for one in windows(100 * NS, None)] == [(70, 130)]


def test_a_picture_is_broken_where_nothing_is_known_and_shades_the_fault() -> None:
    window = Window("", 0, 60 * NS)
    rows = [row(second, quality=None if 20 <= second < 30 else 4) for second in range(60)]
    seen = around(window, rows, 20 * NS, 30 * NS)
    quality = next(one for one in seen.pictures if one.title == "Fix quality")
    assert list(quality.struck) == pytest.approx([WIDTH / 3, WIDTH / 6], abs=0.1)
    assert quality.path.count("M") == 2
    places = [float(x) for x in re.findall(r"[MLH](-?[\d.]+)", quality.path)]
    assert min(places) == 0
    assert max(places) == WIDTH
    assert all(0 <= float(y) <= HEIGHT for y in re.findall(r" ([\d.]+)", quality.path))
    assert quality.says == "Fix quality: 4"
    assert "Damaged a second" not in [one.title for one in seen.pictures]  # nothing was
    assert seen.way is None


def test_the_way_is_drawn_north_up_and_to_scale() -> None:
    """100 m north and then 100 m east: by hand, a degree of latitude is 111.19 km on a sphere of 6,371 km."""
    degree_m = math.pi * 6_371_000 / 180
    north = [row(n, latitude_deg=52 + 10 * n / degree_m, longitude_deg=-1.0) for n in range(11)]
    wide = degree_m * math.cos(math.radians(52))
    east = [row(11 + n, latitude_deg=52 + 100 / degree_m, longitude_deg=-1 + 10 * n / wide) for n in range(1, 11)]
    way = around(Window("", 0, 30 * NS), [*north, *east], 5 * NS, 8 * NS).way
    assert way is not None
    points = [(float(x), float(y)) for x, y in re.findall(r"[ML]([\d.]+) ([\d.]+)", way.path)]
    assert points[0] == (12, TRACK - 12)  # south-west
    assert points[10] == (12, 12)
    assert points[-1] == (TRACK - 12, 12)
    assert way.end == points[-1]
    assert way.struck.count("L") == 4
    assert way.bar_m == 50
    assert way.bar == pytest.approx((TRACK - 24) / 2)
