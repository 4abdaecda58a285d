"""Places that faults go with: a square for what is small, a strip for a row of trees, at any bearing of the passes."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from random import Random

import pytest

from appliance.judge.circumstances import Onset, Second
from appliance.judge.goes_with import goes_with

PASS_M, MPS, PASSES = 200, 2.0, 8
ROUND_S = round(PASSES * PASS_M / MPS)


def field(bearing_deg: float) -> list[Second]:
    """Twelve times over eight passes that lie 12 m apart, without turns: the machine leaps from pass to pass."""
    bearing = math.radians(bearing_deg)
    watch = []
    for at in range(12 * ROUND_S):
        number, along_s = divmod(at % ROUND_S, PASS_M / MPS)
        ahead = along_s * MPS if number % 2 == 0 else PASS_M - along_s * MPS
        right = 12.0 * number
        watch.append(
            Second(
                float(at),
                speed_mps=MPS,
                course_deg=(bearing_deg + 180 * (number % 2)) % 360,
                turning_dps=0.0,
                north_m=ahead * math.cos(bearing) - right * math.sin(bearing),
                east_m=ahead * math.sin(bearing) + right * math.cos(bearing),
            )
        )  # fmt: skip
    return watch


def plan(second: Second, bearing_deg: float) -> tuple[float, float]:
    """Ahead and right of where the field begins."""
    bearing, north, east = math.radians(bearing_deg), second.north_m or 0.0, second.east_m or 0.0
    return (
        north * math.cos(bearing) + east * math.sin(bearing),
        east * math.cos(bearing) - north * math.sin(bearing),
    )


def told(watch: list[Second], bearing_deg: float, there: Callable[[float, float], bool]) -> str:
    """What is said of twelve faults, one in each time over the field, where it is so."""
    dice, starts = Random(2), []
    for turn in range(12):
        spots = [
            one.at_s for one in watch[turn * ROUND_S + 2 : (turn + 1) * ROUND_S - 2] if there(*plan(one, bearing_deg))
        ]
        starts.append(dice.choice(spots) + 1.5)
    rows = goes_with(watch, [Onset("silent", at_s, at_s + 1) for at_s in starts])
    return " ".join(row["says"] for row in rows if row["circumstance"] == "place")


@pytest.mark.parametrize("bearing_deg", [0.0, 37.0, 90.0, 150.0])
def test_a_row_of_trees_across_the_passes_is_a_strip(bearing_deg: float) -> None:
    says = told(field(bearing_deg), bearing_deg, lambda ahead, _: 110 <= ahead <= 145)
    runs = re.search(r"12 of 12 silences came within 2 s of a strip 50 m wide that runs from (\S+) to (\S+),", says)
    assert runs is not None, says
    points = ("north", "north-east", "east", "south-east")
    assert runs[1] == points[round((bearing_deg + 90) / 45) % 4]


@pytest.mark.parametrize("bearing_deg", [0.0, 61.0])
def test_a_hollow_is_a_square_and_its_place_is_said(bearing_deg: float) -> None:
    watch = field(bearing_deg)
    says = told(watch, bearing_deg, lambda ahead, right: 55 <= ahead <= 90 and right <= 30)
    assert re.search(r"1[012] of 12 silences came within 2 s of the place .* of where the watch began \(", says), says
    assert "look for what stands there" in says


def test_places_are_said_from_where_the_watch_began() -> None:
    """By hand: passes to the north; 50 m squares from the start, so the middle of one is at 25, 75, … m."""
    says = told(field(0.0), 0.0, lambda ahead, right: 155 <= ahead <= 195 and right >= 60)
    north, east = re.findall(r"(\d+) m (?:north|east)", says)[:2]
    assert abs(int(north) - 175) <= 25
    assert abs(int(east) - 72) <= 30


def test_faults_anywhere_on_it_have_no_place() -> None:
    watch, dice = field(20.0), Random(3)
    starts = sorted(dice.uniform(10, watch[-1].at_s) for _ in range(14))
    assert goes_with(watch, [Onset("silent", at_s, at_s + 1) for at_s in starts]) == []
