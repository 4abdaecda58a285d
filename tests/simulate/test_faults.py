"""Each fault does what its name says, within its span, and nothing outside it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.simulate.drive import Drive
from appliance.simulate.faults import FAULTS, Spell, apply
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.talk import TYPES

SETTINGS = ReceiverSettings(rates_hz={"GGA": 5, "VTG": 5, "RMC": 1, "ZDA": 1, "GLL": 1, "GSA": 1, "GSV": 1})
CLEAN = list(Receiver(SETTINGS, Drive(1), 1).epochs(20, 60))
SPAN = (30.0, 50.0)


def struck(fault: str, intensity: float | None = None, what: str = "") -> list[Burst]:
    """The clean bursts with one fault within the span."""
    return list(apply(CLEAN, [Spell(fault, *SPAN, intensity, what)], seed=9))


def inside(bursts: list[Burst]) -> list[Burst]:
    return [burst for burst in bursts if SPAN[0] <= burst.due_s < SPAN[1]]


def fields(bursts: list[Burst], message: str) -> list[list[str]]:
    """All fields of the sentences of a type, each checked by its sum."""
    said = []
    for burst in bursts:
        for raw in burst.data.splitlines(keepends=True):
            if raw[3:6] == message.encode():
                pynmea2.parse(raw.decode(), check=True)
                said.append(raw.decode().partition("*")[0].split(","))
    return said


def count(bursts: list[Burst], message: str) -> int:
    return sum(burst.data.count(message.encode() + b",") for burst in bursts)


@pytest.mark.parametrize("fault", FAULTS)
def test_nothing_changes_outside_the_span(fault: str) -> None:
    spoilt = struck(fault)
    for when in (lambda burst: burst.due_s < SPAN[0], lambda burst: burst.due_s >= SPAN[1] + 0.8):
        assert list(filter(when, spoilt)) == list(filter(when, CLEAN))
    assert inside(spoilt) != inside(CLEAN)


@pytest.mark.parametrize("fault", FAULTS)
def test_same_seed_same_bytes(fault: str) -> None:
    assert struck(fault) == struck(fault)


CHANCE = ["jitter", "binary", "cut", "flipped", "lost", "noise"]


@pytest.mark.parametrize("fault", CHANCE)
def test_another_seed_other_chances(fault: str) -> None:
    spells = [Spell(fault, *SPAN)]
    assert list(apply(CLEAN, spells, seed=1)) != list(apply(CLEAN, spells, seed=2))


@pytest.mark.parametrize("fault", sorted(set(FAULTS) - set(CHANCE) - {"no-checksum"}))
def test_faults_without_chance_leave_right_sums(fault: str) -> None:
    for message in TYPES:
        fields(struck(fault), message)


def test_no_fix() -> None:
    spoilt = inside(struck("no-fix"))
    assert {raw for burst in spoilt for raw in burst.data.splitlines()} == {
        b"$GNGGA,,,,,,0,00,99.99,,,,,,*56",
        b"$GNVTG,,,,,,,,,N*2E",
        b"$GNRMC,,V,,,,,,,,,,N,V*37",
        b"$GNZDA,,,,,,*56",
        b"$GNGLL,,,,,,V,N*7A",
        b"$GNGSA,A,1,,,,,,,,,,,,,99.99,99.99,99.99,1*33",
        b"$GPGSV,1,1,00,1*64",
        b"$GLGSV,1,1,00,1*78",
        b"$GAGSV,1,1,00,1*75",
    }
    assert count(spoilt, "GGA") == count(inside(CLEAN), "GGA")


def test_no_fix_without_navigational_status_and_for_a_type_it_does_not_know() -> None:
    data = b"$GNRMC,120000.00,A,5206.0,N,00112.0,W,1.0,,040526,,,A*78\r\n$GPGBS,120000.00,1.0,1.0,1.0,,,,*43\r\n"
    spoilt = next(apply([Burst(35.0, data)], [Spell("no-fix", *SPAN)], seed=1)).data
    assert spoilt.startswith(b"$GNRMC,,V,,,,,,,,,,N*")
    assert spoilt.partition(b"\r\n")[2] == data.partition(b"\r\n")[2]


@pytest.mark.parametrize(("quality", "mode", "status", "corrected"), [(1, "A", "A", False), (5, "F", "A", True)])
def test_quality(quality: int, mode: str, status: str, corrected: bool) -> None:
    spoilt = inside(struck("quality", quality))
    for gga in fields(spoilt, "GGA"):
        assert gga[6] == str(quality)
        assert (gga[13], gga[14]) == (("1.0", "0131") if corrected else ("", ""))
    assert {(rmc[2], rmc[12]) for rmc in fields(spoilt, "RMC")} == {(status, mode)}
    assert {(gll[6], gll[7]) for gll in fields(spoilt, "GLL")} == {(status, mode)}
    assert {vtg[9] for vtg in fields(spoilt, "VTG")} == {mode}


def test_quality_comes_with_its_error() -> None:
    moved = []
    for clean, spoilt in zip(fields(inside(CLEAN), "GGA"), fields(inside(struck("quality", 1)), "GGA"), strict=True):
        assert len(clean[2]) == len(spoilt[2])
        north_m = (float(spoilt[2]) - float(clean[2])) * 1852  # a minute of latitude
        east_m = -(float(spoilt[4]) - float(clean[4])) * 1852 * math.cos(math.radians(52.1))
        moved.append(math.hypot(north_m, east_m))
    assert 0.2 < sum(moved) / len(moved) < 5.0
    assert max(abs(b - a) for a, b in itertools.pairwise(moved)) < 0.1


def test_age_grows() -> None:
    ages = [float(gga[13]) for gga in fields(inside(struck("age-grows", 2.0)), "GGA")]
    # The first burst in the span is due 0.03 s after its start.
    assert ages == pytest.approx([1.0 + 2 * (0.03 + n / 5) for n in range(100)], abs=0.051)


@pytest.mark.parametrize(
    ("fault", "intensity", "place", "value"), [("satellites", 3, 7, "03"), ("hdop", 6.5, 8, "6.50")]
)
def test_one_field_of_gga(fault: str, intensity: float, place: int, value: str) -> None:
    for clean, spoilt in zip(
        fields(inside(CLEAN), "GGA"), fields(inside(struck(fault, intensity)), "GGA"), strict=True
    ):
        clean[place] = value
        assert spoilt == clean


def test_frozen() -> None:
    spoilt = inside(struck("frozen"))
    assert len({tuple(gga[2:6]) for gga in fields(spoilt, "GGA")}) == 1
    assert len({gga[1] for gga in fields(spoilt, "GGA")}) == 100  # time runs
    assert all(float(vtg[7]) > 0.5 for vtg in fields(spoilt, "VTG"))  # and it moves


def test_date_missing() -> None:
    spoilt = inside(struck("date-missing"))
    assert {zda[2] + zda[3] + zda[4] for zda in fields(spoilt, "ZDA")} == {""}
    assert {rmc[9] for rmc in fields(spoilt, "RMC")} == {""}
    assert all(rmc[1] for rmc in fields(spoilt, "RMC"))


@pytest.mark.parametrize("decimals", [0, 4])
def test_decimals(decimals: int) -> None:
    for message, place in (("GGA", 2), ("RMC", 3), ("GLL", 1)):
        for clean, spoilt in zip(
            fields(inside(CLEAN), message), fields(inside(struck("decimals", decimals)), message), strict=True
        ):
            for at in (place, place + 2):
                whole, _, fraction = clean[at].partition(".")
                assert spoilt[at] == (f"{whole}.{fraction[:decimals]}" if decimals else whole)


def test_long() -> None:
    for burst in inside(struck("long", 104)):
        for raw in burst.data.splitlines(keepends=True):
            if raw[3:6] in (b"GGA", b"RMC", b"GLL"):
                assert len(raw) == 104
            else:
                assert len(raw) <= 82


def test_talker() -> None:
    spoilt = inside(struck("talker", what="GL"))
    assert {raw[:3] for burst in spoilt for raw in burst.data.splitlines()} == {b"$GL"}


def test_no_checksum() -> None:
    for clean, spoilt in zip(inside(CLEAN), inside(struck("no-checksum")), strict=True):
        assert b"*" not in spoilt.data
        kept = [raw.partition(b"*")[0] for raw in clean.data.splitlines()]
        assert spoilt.data.split(b"\r\n") == [*kept, b""]


@pytest.mark.parametrize("message", ["VTG", "GGA", "GSV"])
def test_message_off(message: str) -> None:
    clean, spoilt = inside(CLEAN), inside(struck("message-off", what=message))
    for other in ("GGA", "VTG", "RMC", "ZDA", "GSV"):
        assert count(spoilt, other) == (0 if other == message else count(clean, other))


def test_slow() -> None:
    clean, spoilt = inside(CLEAN), inside(struck("slow"))
    for message in ("GGA", "VTG", "RMC", "ZDA", "GSV"):
        assert count(spoilt, message) * 2 == count(clean, message)
    spoilt = inside(struck("slow", 5, "VTG"))
    assert count(spoilt, "VTG") * 5 == count(clean, "VTG")
    assert count(spoilt, "GGA") == count(clean, "GGA")


def test_jitter() -> None:
    late_s = [after.due_s - before.due_s for before, after in zip(CLEAN, struck("jitter", 0.12), strict=True)]
    assert [burst.data for burst in struck("jitter", 0.12)] == [burst.data for burst in CLEAN]
    within = [late for late, burst in zip(late_s, CLEAN, strict=True) if SPAN[0] <= burst.due_s < SPAN[1]]
    assert all(0 <= late <= 0.12 for late in within)
    assert max(within) > 0.1
    assert sum(within) / len(within) == pytest.approx(0.06, abs=0.02)


def test_binary() -> None:
    for clean, spoilt in zip(inside(CLEAN), inside(struck("binary", 10)), strict=True):
        assert spoilt.data.endswith(clean.data)
        assert len(spoilt.data) == len(clean.data) + 10
        assert not set(spoilt.data[:10]) & set(b"$!\\")


def test_cut() -> None:
    clean, spoilt = inside(CLEAN), inside(struck("cut", 0.3))
    starts = sum(burst.data.count(b"$") for burst in clean)
    assert sum(burst.data.count(b"$") for burst in spoilt) == starts  # the head always stays
    ended = sum(burst.data.count(b"\r\n") for burst in spoilt)
    assert 1 - ended / starts == pytest.approx(0.3, abs=0.08)
    assert struck("cut", 0.0) == CLEAN


def bits(a: bytes, b: bytes) -> list[int]:
    return [(x ^ y).bit_count() for x, y in zip(a, b, strict=True)]


def test_flipped() -> None:
    flips = [
        flip
        for clean, spoilt in zip(inside(CLEAN), inside(struck("flipped", 0.02)), strict=True)
        for flip in bits(clean.data, spoilt.data)
    ]
    assert set(flips) == {0, 1}
    assert sum(flips) / len(flips) == pytest.approx(0.02, rel=0.25)


def size(bursts: list[Burst]) -> int:
    return sum(len(burst.data) for burst in bursts)


def test_lost() -> None:
    assert 1 - size(inside(struck("lost", 0.02))) / size(inside(CLEAN)) == pytest.approx(0.02, rel=0.25)
    assert inside(struck("lost", 1.0)) == []


def test_noise_is_half_flipped_and_half_lost() -> None:
    assert 1 - size(inside(struck("noise", 0.04))) / size(inside(CLEAN)) == pytest.approx(0.02, rel=0.25)


def test_silence() -> None:
    assert inside(struck("silence")) == []


def test_faults_together_go_from_the_sky_to_the_cable() -> None:
    """A sentence that the wire will spoil is first changed at the receiver, whatever the order given."""
    spells = [Spell("cut", *SPAN, 1.0), Spell("talker", *SPAN, what="GP")]
    spoilt = list(apply(CLEAN, spells, seed=9))
    assert spoilt == list(apply(CLEAN, spells[::-1], seed=9))
    whole = b"".join(burst.data for burst in inside(spoilt))
    assert b"$GN" not in whole
    assert b"\r\n" not in whole


@given(st.binary(max_size=200), st.sampled_from(sorted(FAULTS)))
def test_any_bytes_go_in(data: bytes, fault: str) -> None:
    list(apply([Burst(35.0, data)], [Spell(fault, *SPAN)], seed=1))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Spell("gremlins", 0, 1), "gremlins"),
        (lambda: Spell("silence", 2, 2), "come later"),
    ],
)
def test_spells_that_cannot_be(make: Callable[[], Spell], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        make()


def test_every_fault_is_named_in_plain_words() -> None:
    for name, fault in FAULTS.items():
        assert name == name.lower()
        assert " " not in name
        assert fault.says
