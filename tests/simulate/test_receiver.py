"""What the receiver says, against two other parsers and against the sentences' lengths in use."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from functools import reduce

import pynmea2
import pytest
from pynmeagps import NMEAReader

from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.talk import TYPES, latitude, longitude

ALL_AT_1_HZ = dict.fromkeys(TYPES, 1.0)


def receiver(**changes: object) -> Receiver:
    return Receiver(ReceiverSettings(**changes), Drive(3), 3)  # type: ignore[arg-type]


def sentences(source: Receiver, from_s: float, to_s: float) -> Iterator[bytes]:
    for burst in source.epochs(from_s, to_s):
        yield from burst.data.splitlines(keepends=True)


def test_every_sum_is_right_by_three_judges() -> None:
    count = 0
    for raw in sentences(receiver(rates_hz=ALL_AT_1_HZ), 0, 300):
        body, _, digits = raw[1:].partition(b"*")
        assert digits == b"%02X\r\n" % reduce(lambda a, b: a ^ b, body)
        pynmea2.parse(raw.decode(), check=True)
        assert NMEAReader.parse(raw) is not None
        count += 1
    assert count == 300 * 16  # 6 of one sentence, 3 of GSA, 6 of GSV, HDT


@pytest.mark.parametrize("quality", range(10))
@pytest.mark.parametrize("first_fix_s", [0.0, 1000.0])
def test_every_sentence_passes_the_strict_parser(quality: int, first_fix_s: float) -> None:
    said = receiver(rates_hz=ALL_AT_1_HZ, quality=quality, first_fix_s=first_fix_s)
    data = b"".join(sentences(said, 50, 60))
    framer = Framer()
    frames = framer.feed(Chunk(data, 0, 260_417))
    parsed = [parse(frame) for frame in frames]
    assert all(isinstance(sentence, Sentence) for sentence in parsed)
    assert len(parsed) == data.count(b"$") > 0


def test_lengths_with_eight_decimals() -> None:
    """GGA 85 to 92 and RMC 84 to 90 characters, CR LF counted: what 8 decimals of a minute come to in the field.

    RMC is shorter at a standstill, without a course, and as version 2.3 has it, without navigational status.
    """
    lengths: dict[str, set[int]] = {}
    for talker in ("GN", "GP"):
        for status in (True, False):
            said = receiver(talker=talker, navigational_status=status)
            for raw in sentences(said, 0, 300):
                lengths.setdefault(raw[3:6].decode(), set()).add(len(raw))
    assert lengths["GGA"] <= set(range(85, 93))
    assert max(lengths["RMC"]) in range(84, 91)
    assert max(lengths["VTG"]) <= 48
    assert lengths["ZDA"] == {38}


def test_moving_rmc_is_84_to_90_long() -> None:
    moving = [raw for raw in sentences(receiver(), 30, 90) if raw[3:6] == b"RMC"]
    assert all(84 <= len(raw) <= 90 for raw in moving)
    assert len(moving) == 60


def test_rates_over_a_minute_are_exact() -> None:
    counts = Counter(raw[3:6].decode() for raw in sentences(receiver(), 17, 77))
    assert counts == {"GGA": 300, "VTG": 300, "RMC": 60, "ZDA": 60}


@pytest.mark.parametrize(
    ("rates_hz", "expected"),
    [
        ({"GGA": 10, "HDT": 20, "ZDA": 0.5, "GLL": 0}, {"GGA": 600, "HDT": 1200, "ZDA": 30}),
        ({"GGA": 5, "VTG": 2, "RMC": 3}, {"GGA": 300, "VTG": 120, "RMC": 180}),
        ({"GST": 0.1}, {"GST": 6}),
    ],
)
def test_rates_that_share_no_common_step(rates_hz: dict[str, float], expected: dict[str, int]) -> None:
    assert Counter(raw[3:6].decode() for raw in sentences(receiver(rates_hz=rates_hz), 0, 60)) == expected


def test_bursts_keep_the_schedule_and_the_order() -> None:
    bursts = list(receiver(delay_s=0.03).epochs(40, 42))
    assert [burst.due_s for burst in bursts] == pytest.approx([40.03 + n / 5 for n in range(10)])
    heads = [re.findall(rb"\$GN([A-Z]{3})", burst.data) for burst in bursts]
    assert heads == [[b"GGA", b"VTG", b"RMC", b"ZDA"], *[[b"GGA", b"VTG"]] * 4] * 2
    other = receiver(order=("ZDA", "RMC", "VTG", "GGA")).epochs(40, 40.1)
    assert re.findall(rb"\$GN([A-Z]{3})", next(other).data) == [b"ZDA", b"RMC", b"VTG", b"GGA"]


def test_the_sentences_say_where_the_tractor_is() -> None:
    drive = Drive(3)
    for raw in sentences(receiver(rates_hz={"GGA": 1, "VTG": 1, "RMC": 1}, decimals=8), 20, 200):
        said = pynmea2.parse(raw.decode(), check=True)
        if said.sentence_type == "GGA":
            t_s = (said.timestamp.minute - 12) * 60 + said.timestamp.second
            state = drive.at(t_s)
            off_north_m = (said.latitude - state.latitude_deg) * 111_200
            off_east_m = (said.longitude - state.longitude_deg) * 111_200 * math.cos(math.radians(52.1))
            assert math.hypot(off_north_m, off_east_m) < 0.06  # RTK: 14 mm RMS
            assert (said.gps_qual, said.num_sats, said.horizontal_dil) == (4, "18", "0.70")
            assert (said.age_gps_data, said.ref_station_id) == ("1.0", "0131")
        elif said.sentence_type == "VTG":
            assert float(said.spd_over_grnd_kmph) == pytest.approx(state.speed_mps * 3.6, abs=0.6)
            if state.speed_mps > 1:
                off_deg = (float(said.true_track) - state.course_deg + 180) % 360 - 180
                assert abs(off_deg) < 8
        else:
            assert float(said.spd_over_grnd) * 1852 / 3600 == pytest.approx(state.speed_mps, abs=0.15)


def test_at_a_standstill_the_course_is_empty() -> None:
    for raw in sentences(receiver(), 2, 8):
        if raw[3:6] == b"VTG":
            assert raw.startswith(b"$GNVTG,,T,,M,0.")


@pytest.mark.parametrize(("quality", "rms_m"), [(1, 1.8), (2, 0.5), (4, 0.014), (5, 0.4)])
def test_the_position_errs_as_much_as_the_quality_promises(quality: int, rms_m: float) -> None:
    """1.8 m, 0.45 to 0.6 m, about 1 cm + 1 ppm, 0.1 to 1 m RMS: usual figures of the classes of receivers."""
    squares = []
    for seed in range(12):
        drive = Drive(seed)
        said = Receiver(ReceiverSettings(quality=quality), drive, seed)
        for t_s in range(0, 7200, 97):
            state, reading = drive.at(t_s), said.reading(t_s)
            north_m = (reading.latitude_deg - state.latitude_deg) * 111_250
            east_m = (reading.longitude_deg - state.longitude_deg) * 111_250 * math.cos(math.radians(52.1))
            squares.append(north_m**2 + east_m**2)
    assert math.sqrt(sum(squares) / len(squares)) == pytest.approx(rms_m, rel=0.15)


def test_the_position_does_not_jump() -> None:
    said = receiver(quality=1)
    for n in range(50, 1000):
        first, second = said.reading(n / 5), said.reading((n + 1) / 5)
        north_m = (second.latitude_deg - first.latitude_deg) * 111_250
        east_m = (second.longitude_deg - first.longitude_deg) * 111_250 * math.cos(math.radians(52.1))
        assert math.hypot(north_m, east_m) < 4.0 * 0.2 + 0.25


def test_before_the_first_fix() -> None:
    """As published in the tests of pynmeagps, and in use by receivers at a cold start."""
    said = list(sentences(receiver(first_fix_s=8.0), 0, 9))
    assert set(said[:-12]) == {
        b"$GNGGA,,,,,,0,00,99.99,,,,,,*56\r\n",
        b"$GNVTG,,,,,,,,,N*2E\r\n",
        b"$GNRMC,,V,,,,,,,,,,N,V*37\r\n",
        b"$GNZDA,,,,,,*56\r\n",
    }
    assert all(b",4,18," in raw for raw in said[-12:] if raw[3:6] == b"GGA")


def test_mode_and_status_belong_to_the_quality() -> None:
    modes = {}
    for quality in (1, 2, 4, 5, 6, 8):
        rmc = next(raw for raw in sentences(receiver(quality=quality), 30, 31) if raw[3:6] == b"RMC")
        fields = rmc.decode().partition("*")[0].split(",")
        modes[quality] = fields[2] + fields[12]
    assert modes == {1: "AA", 2: "AD", 4: "AR", 5: "AF", 6: "VE", 8: "VS"}


def test_utc_runs_with_the_story_over_midnight_and_from_another_zone() -> None:
    start = datetime(2026, 5, 5, 1, 59, 59, tzinfo=timezone(timedelta(hours=2)))
    said = [raw.decode().split(",") for raw in sentences(receiver(start_utc=start, rates_hz={"ZDA": 2}), 0, 2)]
    assert [fields[1:5] for fields in said] == [
        ["235959.00", "04", "05", "2026"],
        ["235959.50", "04", "05", "2026"],
        ["000000.00", "05", "05", "2026"],
        ["000000.50", "05", "05", "2026"],
    ]


def test_same_seed_same_bytes_whole_or_in_stretches() -> None:
    whole = list(receiver(rates_hz=ALL_AT_1_HZ).epochs(0, 60))
    said = receiver(rates_hz=ALL_AT_1_HZ)
    assert [*said.epochs(30, 60)] == whole[30:]
    assert [*said.epochs(0, 30.2), *said.epochs(30.2, 60)] == whole
    assert list(Receiver(ReceiverSettings(rates_hz=ALL_AT_1_HZ), Drive(3), 4).epochs(0, 60)) != whole


@pytest.mark.parametrize(
    ("degrees", "decimals", "written"),
    [
        (48 + 7.038 / 60, 3, ("4807.038", "N")),  # gpsinformation.org/dale/nmea.htm
        (-0.5, 2, ("0030.00", "S")),
        (59.9999999999, 4, ("6000.0000", "N")),  # never 60 minutes
        (12.5, 0, ("1230", "N")),
    ],
)
def test_latitude_as_written(degrees: float, decimals: int, written: tuple[str, str]) -> None:
    assert latitude(degrees, decimals) == written


def test_longitude_as_written() -> None:
    # NOAA PSL ship log, ATOMIC 2020
    assert longitude(-(51 + 30.51204125 / 60), 8) == ("05130.51204125", "W")
    assert longitude(11 + 31 / 60, 3) == ("01131.000", "E")
    assert longitude(180.25, 3) == ("17945.000", "W")
    assert longitude(-180.25, 3) == ("17945.000", "E")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"rates_hz": {"XYZ": 1}}, "XYZ"),
        ({"rates_hz": {"GGA": -1}}, "0 or more"),
        ({"rates_hz": {"GGA": 0}}, "no message"),
        ({"order": ("GGA",)}, "VTG"),
        ({"start_utc": datetime(2026, 5, 4)}, "zone"),
        ({"start_utc": datetime(2026, 5, 4, 0, 0, 0, 1, tzinfo=UTC)}, "whole second"),
        ({"quality": 10}, "digit"),
        ({"satellites": 37}, "0 to 36"),
    ],
)
def test_settings_that_cannot_be(changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        receiver(**changes)


@pytest.mark.parametrize("used", [0, 1, 4, 18, 36])
def test_gsa_and_gsv_agree_with_the_count_of_gga(used: int) -> None:
    numbers, in_view = 0, 0
    for raw in sentences(receiver(rates_hz=ALL_AT_1_HZ, satellites=used), 30, 31):
        said = NMEAReader.parse(raw)
        if said.msgID == "GSA":
            numbers += sum(1 for n in range(1, 13) if getattr(said, f"svid_{n:02d}"))
        elif said.msgID == "GSV" and said.msgNum == 1:
            in_view += said.numSV
        elif said.msgID == "GGA":
            assert said.numSV == used
    assert numbers == used
    assert in_view == used + 3
