"""The drive against geometry of the test's own: earth-centred coordinates, which know nothing of local radii."""

from __future__ import annotations

import math

import pytest

from appliance.simulate.drive import ORIGIN_DEG, Drive, State
from appliance.simulate.plans import PLANS

SEEDS = [1, 7, 2026]
DAY_STEP = 13  # s, at which a round of hours is looked at


def earth_centred(state: State) -> tuple[float, float, float]:
    """Closed form from geodetic to earth-centred metres, WGS 84 (NIMA TR8350.2, equation 4-14)."""
    a, f = 6_378_137.0, 1 / 298.257223563
    e2 = f * (2 - f)
    latitude, longitude = math.radians(state.latitude_deg), math.radians(state.longitude_deg)
    n = a / math.sqrt(1 - e2 * math.sin(latitude) ** 2)
    return (
        (n + state.altitude_m) * math.cos(latitude) * math.cos(longitude),
        (n + state.altitude_m) * math.cos(latitude) * math.sin(longitude),
        (n * (1 - e2) + state.altitude_m) * math.sin(latitude),
    )


def east_north(first: State, second: State) -> tuple[float, float]:
    """The way from the first to the second, on the level plane between them, in metres."""
    x, y, z = (b - a for a, b in zip(earth_centred(first), earth_centred(second), strict=True))
    latitude = math.radians((first.latitude_deg + second.latitude_deg) / 2)
    longitude = math.radians((first.longitude_deg + second.longitude_deg) / 2)
    east = -x * math.sin(longitude) + y * math.cos(longitude)
    outward = x * math.cos(longitude) + y * math.sin(longitude)
    return east, z * math.cos(latitude) - outward * math.sin(latitude)


@pytest.mark.parametrize("plan", PLANS)
@pytest.mark.parametrize("seed", SEEDS)
def test_course_and_speed_are_the_derivatives_of_the_position(seed: int, plan: str) -> None:
    drive, step_s = Drive(seed, plan=plan), 0.01
    least = {"field": 0.8, "reverse": 0.8, "parked": 0.1, "road": 0.6, "day": 0.5}[plan]
    moved = 0
    for tick in range(0, int(drive.round_s), DAY_STEP if plan == "day" else 1):
        t_s = tick + 0.37
        state = drive.at(t_s)
        east_m, north_m = east_north(drive.at(t_s - step_s / 2), drive.at(t_s + step_s / 2))
        speed_mps = math.hypot(east_m, north_m) / step_s
        # The plane's error is 0.012 % (the module says so); a phase may change within the step: 0.5 m/s2 x 5 ms.
        # On the road 5 mm/s and twice the acceleration.
        assert speed_mps == pytest.approx(state.speed_mps, abs=0.01 if plan == "road" else 0.004)
        if state.speed_mps > 0.5:
            moved += 1
            course_deg = math.degrees(math.atan2(east_m, north_m))
            off_deg = (course_deg - state.course_deg + 180) % 360 - 180
            assert abs(off_deg) < 0.1  # in a turn of 6 m at 2 m/s, half a step is 0.1 degrees
    assert moved > drive.round_s * least / (DAY_STEP if plan == "day" else 1)


@pytest.mark.parametrize("plan", PLANS)
@pytest.mark.parametrize("seed", SEEDS)
def test_is_continuous_also_over_the_end_of_a_round(seed: int, plan: str) -> None:
    drive = Drive(seed, plan=plan)
    of_day = plan == "day"
    starts_s = [-1.0, 500.0, 1500.0, 1900.0] if of_day else [-1.0]  # of a long round some minutes at a time
    for from_s in starts_s:
        _is_continuous(drive, plan, from_s, min(drive.round_s, 600.0) if of_day else drive.round_s + 2)


def _is_continuous(drive: Drive, plan: str, from_s: float, lasts_s: float) -> None:
    step_s = 0.05
    fastest_mps, gain_mps2, turn_per_s = (14.0, 1.0, 4 / 15) if plan == "road" else (4.0, 0.5, 2 / 6)
    if plan == "day":
        fastest_mps = 9.0  # on its way to the shed
    last = drive.at(from_s)
    for tick in range(1, int(lasts_s / step_s)):
        state = drive.at(from_s + tick * step_s)
        assert math.hypot(*east_north(last, state)) <= fastest_mps * step_s + (1e-3 if plan == "field" else 2e-3)
        assert abs(state.speed_mps - last.speed_mps) <= gain_mps2 * step_s + 1e-9
        turned_deg = (state.heading_deg - last.heading_deg + 180) % 360 - 180
        assert abs(turned_deg) <= math.degrees(turn_per_s * step_s) + 1e-6
        if plan != "reverse":
            assert state.course_deg == state.heading_deg
        last = state


@pytest.mark.parametrize("seed", SEEDS)
def test_works_a_field_at_two_to_four_metres_a_second_and_parks(seed: int) -> None:
    drive = Drive(seed, parked_s=12)
    states = [drive.at(t_s) for t_s in range(int(drive.round_s))]
    assert all(state.speed_mps <= 4.0 for state in states)
    assert all(state.speed_mps == 0 for state in states[:13])
    parked = sum(state.speed_mps == 0 for state in states)
    assert 12 + 24 <= parked <= 12 + 27  # at the start, and the stop within a pass
    working = sum(2.0 <= state.speed_mps <= 4.0 for state in states)
    assert working / len(states) > 0.9
    assert len({round(state.course_deg) for state in states}) > 20  # turns, not only passes
    # Within the reach for which the module gives the accuracy of its plane.
    assert all(math.hypot(*east_north(states[0], state)) < 600 for state in states)
    assert (states[0].latitude_deg, states[0].longitude_deg) == pytest.approx(ORIGIN_DEG, abs=1e-12)


def test_a_seed_is_a_drive() -> None:
    assert [Drive(5).at(t) for t in range(100)] == [Drive(5).at(t) for t in range(100)]
    assert Drive(5).at(60) != Drive(6).at(60)


@pytest.mark.parametrize("seed", SEEDS)
def test_backs_up_for_some_metres_in_the_headland(seed: int) -> None:
    """Backing up, the course over the ground is opposite to the heading, and no more than a short way is gone so."""
    drive, step_s = Drive(seed, plan="reverse"), 0.1
    ways_m, way_m = [], 0.0
    for tick in range(int(drive.round_s / step_s)):
        state = drive.at(tick * step_s)
        turned_deg = (state.course_deg - state.heading_deg) % 360
        if state.speed_mps and turned_deg == pytest.approx(180):
            way_m += state.speed_mps * step_s
        else:
            assert turned_deg == 0
            ways_m += [way_m] if way_m else []
            way_m = 0.0
    assert len(ways_m) == 11  # one turn between each two of twelve passes
    assert all(3.5 < way < 10.5 for way in ways_m)


@pytest.mark.parametrize("seed", SEEDS)
def test_parks_for_minutes_and_drives_on_roads(seed: int) -> None:
    parked = Drive(seed, plan="parked")
    assert sum(parked.at(t).speed_mps == 0 for t in range(int(parked.round_s))) > parked.round_s * 0.8
    road = Drive(seed, plan="road")
    speeds = [road.at(t).speed_mps for t in range(int(road.round_s))]
    assert max(speeds) <= 14
    assert sum(speed >= 8 for speed in speeds) > len(speeds) * 0.5
    assert sum(speed == 0 for speed in speeds) >= 12 + 4


def test_longitudes_go_round_the_antimeridian() -> None:
    drive = Drive(1, origin_deg=(-17.0, -179.9999))
    longitudes = [drive.at(t).longitude_deg for t in range(0, int(drive.round_s), 5)]
    assert all(-180 <= longitude < 180 for longitude in longitudes)
    assert all(abs(abs(longitude) - 180) < 0.01 for longitude in longitudes)
    assert {longitude > 0 for longitude in longitudes} == {True, False}


def test_a_plan_that_there_is_not() -> None:
    with pytest.raises(ValueError, match=r"flight.*field.*road"):
        Drive(1, plan="flight")
