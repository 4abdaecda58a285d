"""What a healthy receiver does besides talking on schedule: changing fixes, satellites, ages, clocks and delays."""

from __future__ import annotations

import itertools
import math
from datetime import UTC, datetime

import pytest
from pynmeagps import NMEAReader

from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings

STEP = ((50.0, 1), (80.0, 4))
MIDNIGHT = datetime(2017, 1, 1, tzinfo=UTC)  # the last leap second so far was inserted before it (IERS Bulletin C 52)


def receiver(**changes: object) -> Receiver:
    return Receiver(ReceiverSettings(**changes), Drive(3), 3)  # type: ignore[arg-type]


def said(source: Receiver, message: str, from_s: float, to_s: float) -> list[list[str]]:
    return [
        raw.decode().partition("*")[0].split(",")
        for burst in source.epochs(from_s, to_s)
        for raw in burst.data.splitlines()
        if raw[3:6] == message.encode()
    ]


def errors_m(source: Receiver, times: list[float]) -> list[tuple[float, float]]:
    found = []
    for t_s in times:
        state, reading = Drive(3).at(t_s), source.reading(t_s)
        north_m = (reading.latitude_deg - state.latitude_deg) * 111_250
        east_m = (reading.longitude_deg - state.longitude_deg) * 111_250 * math.cos(math.radians(52.1))
        found.append((north_m, east_m))
    return found


def test_a_change_of_quality_is_said_and_steps_as_far_as_it_promises() -> None:
    source = receiver(qualities=STEP)
    assert {gga[6] for gga in said(source, "GGA", 20, 50)} == {"4"}
    assert {gga[6] for gga in said(source, "GGA", 50, 80)} == {"1"}
    assert {gga[6] for gga in said(source, "GGA", 80, 99)} == {"4"}
    assert {rmc[12] for rmc in said(source, "RMC", 50, 80)} == {"A"}
    before, after = errors_m(source, [49.8, 50.0])
    assert 0.2 < math.dist(before, after) < 1.8 * 3.5
    assert math.hypot(*before) < 0.1


def test_a_change_may_slide() -> None:
    source = receiver(qualities=STEP, settle_s=4.0)
    way = errors_m(source, [49.8 + n / 5 for n in range(30)])
    steps = [math.dist(one, other) for one, other in itertools.pairwise(way)]
    whole = math.dist(way[0], way[-1])
    assert max(steps) < whole / 4
    assert math.dist(way[-1], errors_m(receiver(qualities=STEP), [49.8 + 29 / 5])[0]) < 1e-6


def test_satellites_and_hdop_come_and_go() -> None:
    found = said(receiver(restless=True), "GGA", 0, 600)
    used = [int(gga[7]) for gga in found]
    assert set(used) >= {18, 16, 15}
    assert 5 <= min(used) < 15  # behind trees
    assert max(used) <= 18
    worse = {gga[7]: float(gga[8]) for gga in found}
    assert worse["15"] > worse["18"] == 0.7
    assert receiver(restless=True).reading(500.0) == receiver(restless=True).reading(500.0)


def test_gsa_lists_those_that_gga_counts() -> None:
    source = receiver(restless=True, rates_hz={"GGA": 1, "GSA": 1})
    for burst in source.epochs(100, 400):
        gga, *gsa = (NMEAReader.parse(raw) for raw in burst.data.splitlines(keepends=True))
        used = sum(1 for part in gsa for n in range(1, 13) if getattr(part, f"svid_{n:02d}"))
        assert used == gga.numSV


def test_the_view_is_a_function_of_time_whatever_was_asked_before() -> None:
    source = receiver(restless=True)
    forwards = [source.reading(float(t_s)) for t_s in range(0, 600, 7)]
    assert [source.reading(float(t_s)) for t_s in reversed(range(0, 600, 7))] == forwards[::-1]


def test_ages_are_a_saw() -> None:
    ages = [float(gga[13]) for gga in said(receiver(age_saw_s=5.0, rates_hz={"GGA": 1}), "GGA", 0, 20)]
    assert ages == [1.0, 2.0, 3.0, 4.0, 5.0] * 4


def test_a_field_is_seldom_empty() -> None:
    source = receiver(nulls=0.02)
    found = said(source, "GGA", 20, 620)
    empty = sum("" in (gga[8], gga[13]) for gga in found) + sum(not vtg[1] for vtg in said(source, "VTG", 20, 120))
    assert 10 < empty < 120
    assert all(gga[2] and gga[4] and gga[6] == "4" for gga in found)


def test_its_clock_runs_by_ppm_and_its_delay_swings() -> None:
    once = {"GGA": 1}
    slow = [burst.due_s for burst in receiver(clock_ppm=50.0, rates_hz=once).epochs(0, 401)]
    true = [burst.due_s for burst in receiver(rates_hz=once).epochs(0, 401)]
    assert slow[-1] - true[-1] == pytest.approx(0.02, rel=0.001)
    swung = receiver(delay_swing_s=0.04, rates_hz=once).epochs(0, 401)
    swing = [burst.due_s - due_s for burst, due_s in zip(swung, true, strict=True)]
    assert min(swing) >= 0
    assert max(swing) <= 0.04
    assert max(swing) - min(swing) > 0.035


def test_a_course_that_faces_is_opposite_to_the_motion_in_reverse() -> None:
    drive = Drive(3, plan="reverse")
    by_motion = Receiver(ReceiverSettings(), drive, 3)
    by_heading = Receiver(ReceiverSettings(course_faces=True), drive, 3)
    turned = set()
    for tick in range(2000):
        one, other = by_motion.reading(tick / 5), by_heading.reading(tick / 5)
        if one.course_deg is not None and other.course_deg is not None:
            turned.add(round((one.course_deg - other.course_deg) % 360))
    assert turned == {0, 180}


def test_a_leap_second_is_said_as_sixty() -> None:
    source = receiver(start_utc=datetime(2016, 12, 31, 23, 59, 58, tzinfo=UTC), leap_utc=MIDNIGHT, rates_hz={"ZDA": 2})
    assert [(zda[1], zda[2], zda[4]) for zda in said(source, "ZDA", 0, 4)] == [
        ("235958.00", "31", "2016"),
        ("235958.50", "31", "2016"),
        ("235959.00", "31", "2016"),
        ("235959.50", "31", "2016"),
        ("235960.00", "31", "2016"),
        ("235960.50", "31", "2016"),
        ("000000.00", "01", "2017"),
        ("000000.50", "01", "2017"),
    ]


def test_or_as_a_doubled_second() -> None:
    source = receiver(
        start_utc=datetime(2016, 12, 31, 23, 59, 59, tzinfo=UTC),
        leap_utc=MIDNIGHT,
        leap_doubled=True,
        rates_hz={"RMC": 1},
    )
    assert [(rmc[1], rmc[9]) for rmc in said(source, "RMC", 0, 4)] == [
        ("235959.00", "311216"),
        ("000000.00", "010117"),
        ("000000.00", "010117"),
        ("000001.00", "010117"),
    ]


def test_a_leap_that_is_past_or_to_come_changes_nothing() -> None:
    plain = [burst.data for burst in receiver().epochs(0, 5)]
    for leap in (datetime(2020, 1, 1, tzinfo=UTC), datetime(2030, 1, 1, tzinfo=UTC)):
        assert [burst.data for burst in receiver(leap_utc=leap).epochs(0, 5)] == plain


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"qualities": ((9.0, 4), (5.0, 1))}, "order"), ({"qualities": ((9.0, 11),)}, "digit")],
)
def test_settings_that_cannot_be(changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        receiver(**changes)
