"""Faults that leave every sentence right and make what it says wrong: each changes what its name says, no more."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pynmea2
import pytest

from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell, apply
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings

RATES_HZ = {"GGA": 5, "VTG": 5, "RMC": 5, "ZDA": 1, "GLL": 1, "GST": 1}
FROM_S, TO_S = 30.0, 50.0
CLEAN = list(Receiver(ReceiverSettings(rates_hz=RATES_HZ), Drive(1), 1).epochs(FROM_S, TO_S))


def fields(bursts: list[Burst], message: str) -> list[list[str]]:
    """All fields of the sentences of a type, each checked by its sum."""
    said = []
    for burst in bursts:
        for raw in burst.data.splitlines(keepends=True):
            if raw[3:6] == message.encode():
                pynmea2.parse(raw.decode(), check=True)
                said.append(raw.decode().partition("*")[0].split(","))
    return said


def pairs(
    message: str, fault: str, intensity: float | None = None, what: str = "", clean: list[Burst] = CLEAN
) -> list[tuple[list[str], list[str]]]:
    """Each clean sentence of a type beside what the fault makes of it."""
    spoilt = list(apply(clean, [Spell(fault, FROM_S, TO_S + 10, intensity, what)], seed=9))
    return list(zip(fields(clean, message), fields(spoilt, message), strict=True))


def changed(message: str, fault: str, intensity: float | None = None, what: str = "") -> set[int]:
    """Places of the fields of a type that a fault changes at any time."""
    return {
        at
        for clean, spoilt in pairs(message, fault, intensity, what)
        for at, (one, other) in enumerate(zip(clean, spoilt, strict=True))
        if one != other
    }


TOUCHED: dict[tuple[str, str], dict[str, set[int]]] = {
    ("jump", ""): {"GGA": {2, 4}, "RMC": {3, 5}, "GLL": {1, 3}},
    ("gga-rmc", ""): {"RMC": {3, 5}},
    ("scatter", ""): {"GGA": {2, 4}, "RMC": {3, 5}, "GLL": {1, 3}},
    ("speed-zero", ""): {"RMC": {7}, "VTG": {5, 7}},
    ("speed-scaled", ""): {"RMC": {7}, "VTG": {5, 7}},
    ("speed-scaled", "VTG"): {"VTG": {5, 7}},
    ("speed-negative", ""): {"RMC": {7}, "VTG": {5, 7}},
    ("speed-impossible", ""): {"RMC": {7}, "VTG": {5, 7}},
    ("course-reversed", ""): {"RMC": {8}, "VTG": {1, 3}},
    ("course-offset", ""): {"RMC": {8}, "VTG": {1, 3}},
    ("rmc-vtg", ""): {"RMC": {7}},
    ("rmc-vtg-course", ""): {"RMC": {8}},
    ("clock-stopped", ""): {"GGA": {1}, "RMC": {1}, "ZDA": {1}, "GLL": {5}, "GST": {1}},
    ("clock-back", ""): {"GGA": {1}, "RMC": {1}, "ZDA": {1}, "GLL": {5}, "GST": {1}},
    ("clock-jump", ""): {"GGA": {1}, "RMC": {1}, "ZDA": {1}, "GLL": {5}, "GST": {1}},
    ("leap-seconds", ""): {"GGA": {1}, "RMC": {1}, "ZDA": {1}, "GLL": {5}, "GST": {1}},
    ("date-rolled-over", ""): {"RMC": {9}, "ZDA": {2, 3, 4}},
    ("dates-disagree", ""): {"ZDA": {2}},
    ("zone-strange", ""): {"ZDA": {5}},
    ("status-contradicts", ""): {"RMC": {12}, "GLL": {7}},
    ("simulated", ""): {"GGA": {6, 13, 14}, "RMC": {2, 12}, "VTG": {9}, "GLL": {6, 7}},
    ("manual", ""): {"GGA": {6, 13, 14}, "RMC": {2, 12}, "VTG": {9}, "GLL": {6, 7}},
    ("satellites-fall", ""): {"GGA": {7}},
    ("hdop-rises", ""): {"GGA": {8}},
    ("base-moved", ""): {"GGA": {14}},
    ("height-jump", ""): {"GGA": {9}},
    ("geoid-missing", ""): {"GGA": {11, 12}},
    ("geoid-changed", ""): {"GGA": {11}},
    ("position-null", ""): {"GGA": {2, 3, 4, 5}},
    ("hemisphere", ""): {"RMC": {6}},
    ("decimals-padded", ""): {"GGA": {2, 4}, "RMC": {3, 5}, "GLL": {1, 3}},
}


@pytest.mark.parametrize(("fault", "what"), TOUCHED)
def test_touches_only_its_own_fields(fault: str, what: str) -> None:
    found = {message: changed(message, fault, what=what) for message in RATES_HZ}
    assert {message: places for message, places in found.items() if places} == TOUCHED[fault, what]


@pytest.mark.parametrize("intensity", [0.5, 3.0, 40.0])
def test_a_jump_is_as_long_as_asked(intensity: float) -> None:
    for clean, spoilt in pairs("GGA", "jump", intensity):
        north_m = (float(spoilt[2]) - float(clean[2])) * 1854.3  # a minute of latitude at 52 degrees
        east_m = (float(spoilt[4]) - float(clean[4])) * 1142.4  # and of longitude
        assert math.hypot(north_m, east_m) == pytest.approx(intensity, rel=0.005)


@pytest.mark.parametrize("factor", [1.852, 3.6, 1 / 1.609, -1])
def test_speed_scaled(factor: float) -> None:
    for clean, spoilt in pairs("VTG", "speed-scaled", factor):
        assert float(spoilt[5]) == pytest.approx(float(clean[5]) * factor, abs=0.002)
        assert float(spoilt[7]) == pytest.approx(float(clean[7]) * factor, abs=0.002)
        assert float(spoilt[7]) == pytest.approx(float(spoilt[5]) * 1.852, abs=0.006)


def test_speed_to_a_figure() -> None:
    assert {(spoilt[5], spoilt[7]) for _, spoilt in pairs("VTG", "speed-zero")} == {("0.000", "0.000")}
    assert {float(spoilt[7]) for _, spoilt in pairs("VTG", "speed-impossible", 100)} == {360.0}
    for clean, spoilt in pairs("RMC", "rmc-vtg", 1.5):
        assert (float(spoilt[7]) - float(clean[7])) * 1852 / 3600 == pytest.approx(1.5, abs=0.001)


def test_course_turns_within_the_circle() -> None:
    for fault, turn in (("course-reversed", 180.0), ("course-offset", 40.0)):
        for clean, spoilt in pairs("VTG", fault):
            assert (float(spoilt[1]) - float(clean[1])) % 360 == pytest.approx(turn, abs=0.006)
            assert 0 <= float(spoilt[1]) < 360


def test_time_shifts_over_midnight_with_its_date() -> None:
    start = datetime(2026, 12, 31, 23, 59, 0, tzinfo=UTC)
    clean = list(Receiver(ReceiverSettings(start_utc=start), Drive(1), 1).epochs(30, 33))
    (_, zda), *_ = pairs("ZDA", "clock-jump", 100, clean=clean)
    assert zda[1:5] == ["000110.00", "01", "01", "2027"]
    (_, rmc), *_ = pairs("RMC", "clock-jump", 100, clean=clean)
    assert (rmc[1], rmc[9]) == ("000110.00", "010127")
    (_, zda), *_ = pairs("ZDA", "clock-back", -30, clean=clean)
    assert zda[1:5] == ["235900.00", "31", "12", "2026"]


def test_rolled_over_by_1024_weeks() -> None:
    """2026-08-29 shown as 2007-01-13: 1024 weeks, as the navigation message's ten bits of week count."""
    start = datetime(2026, 8, 29, 12, tzinfo=UTC)
    clean = list(Receiver(ReceiverSettings(start_utc=start), Drive(1), 1).epochs(30, 33))
    assert {tuple(zda[2:5]) for _, zda in pairs("ZDA", "date-rolled-over", clean=clean)} == {("13", "01", "2007")}
    assert {rmc[9] for _, rmc in pairs("RMC", "date-rolled-over", clean=clean)} == {"130107"}


def test_the_stopped_clock_says_one_time() -> None:
    assert len({gga[1] for _, gga in pairs("GGA", "clock-stopped")}) == 1
    assert len({gga[2] for _, gga in pairs("GGA", "clock-stopped")}) > 50  # and the machine moves


def test_trends_go_on_and_stop_at_what_there_is() -> None:
    falling = [int(gga[7]) for _, gga in pairs("GGA", "satellites-fall", -1.0)]
    assert falling[0] == 18
    assert falling == sorted(falling, reverse=True)
    assert min(falling) == 0
    rising = [float(gga[8]) for _, gga in pairs("GGA", "hdop-rises", 0.1)]
    assert rising[-1] - rising[0] == pytest.approx(0.1 * 19.8, abs=0.011)


@pytest.mark.parametrize("padded", [1, 3, 20])
def test_padded_with_zeros(padded: int) -> None:
    for clean, spoilt in pairs("GGA", "decimals-padded", padded):
        kept = 8 - min(padded, 8)
        assert len(spoilt[2]) == len(clean[2])
        assert spoilt[2].partition(".")[2] == clean[2].partition(".")[2][:kept].ljust(8, "0")


def test_another_letter_pair_and_side() -> None:
    assert {(rmc[2], rmc[12]) for _, rmc in pairs("RMC", "status-contradicts", what="AE")} == {("A", "E")}
    assert {(rmc[4], rmc[6]) for _, rmc in pairs("RMC", "hemisphere")} == {("N", "E")}
    assert {(gga[3], gga[5]) for _, gga in pairs("GGA", "hemisphere", 2, "GGA")} == {("S", "W")}


def test_late_by_as_much_as_asked() -> None:
    spoilt = list(apply(CLEAN, [Spell("late", FROM_S, TO_S + 10, 0.7)], seed=9))
    assert [round(late.due_s - burst.due_s, 6) for burst, late in zip(CLEAN, spoilt, strict=True)] == [0.7] * len(CLEAN)
    assert [late.data for late in spoilt] == [burst.data for burst in CLEAN]


def test_scatter_is_as_wide_as_asked() -> None:
    standing = list(Receiver(ReceiverSettings(), Drive(1, parked_s=900), 1).epochs(0, 900))
    spell = Spell("scatter", 0, 900, 2.0)
    squares = []
    for clean, spoilt in zip(fields(standing, "GGA"), fields(list(apply(standing, [spell], 4)), "GGA"), strict=True):
        north_m = (float(spoilt[2]) - float(clean[2])) * 1854.3
        east_m = (float(spoilt[4]) - float(clean[4])) * 1142.4
        squares.append(north_m**2 + east_m**2)
    assert math.sqrt(sum(squares) / len(squares)) == pytest.approx(2.0, rel=0.2)
    assert timedelta(seconds=len(squares) / 5) == timedelta(minutes=15)
