"""RTCM 3 by its CRC-24Q: the sum against the catalogue, a library and plain division; the scanner against any cut."""

from __future__ import annotations

from random import Random

import pytest
from crc import Calculator, Configuration
from hypothesis import given
from hypothesis import strategies as st

from appliance.sentence.rtcm import RtcmScanner, crc24q
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings

WHOLE_MOST = 3 + 1023 + 3
MEGABYTE = 1_000_000


def by_division(data: bytes) -> int:
    """The remainder of data, times x^24, by the polynomial, bit by bit (RTCM 10403: 0x1864CFB)."""
    value = 0
    for place in range(len(data) * 8):
        bit = data[place // 8] >> (7 - place % 8) & 1
        top = value >> 23 ^ bit
        value = value << 1 & 0xFFFFFF ^ (0x864CFB if top else 0)
    return value


def message(payload: bytes) -> bytes:
    body = b"\xd3" + len(payload).to_bytes(2, "big") + payload
    return body + by_division(body).to_bytes(3, "big")


def counted(*pieces: bytes) -> int:
    scanner = RtcmScanner()
    told = sum(scanner.feed(piece) for piece in pieces)
    assert told == scanner.count
    return told


def test_the_sum_is_the_one_that_the_catalogue_gives() -> None:
    """CRC RevEng catalogue, CRC-24/LTE-A: poly 0x864CFB, init 0, no reflection, check 0xCDE703."""
    assert crc24q(b"123456789") == by_division(b"123456789") == 0xCDE703


@given(st.binary(max_size=300))
def test_the_sum_is_that_of_a_division_and_of_a_library(data: bytes) -> None:
    library = Calculator(Configuration(width=24, polynomial=0x864CFB))
    assert crc24q(data) == by_division(data) == library.checksum(data)


@pytest.mark.parametrize("length", [0, 1, 255, 256, 1023])
def test_a_message_of_each_length_is_one(length: int) -> None:
    whole = message(Random(length).randbytes(length))
    assert counted(whole) == 1
    assert counted(whole + whole) == 2
    assert counted(whole[:-1] + bytes((whole[-1] ^ 1,))) == 0


def test_the_six_bits_before_the_length_must_be_zero() -> None:
    body = b"\xd3\x04\x01x"
    assert counted(body + by_division(body).to_bytes(3, "big") + bytes(WHOLE_MOST)) == 0


def test_a_message_after_a_false_preamble_is_found() -> None:
    assert counted(b"\xd3\x00\x02" + message(b"hello"), bytes(WHOLE_MOST)) == 1


STREAM = st.lists(
    st.one_of(st.binary(max_size=40).map(message), st.binary(max_size=20), st.just(b"\xd3"), st.just(b"\xd3\x03\xff"))
).map(b"".join)


@given(STREAM, st.lists(st.integers(0, 400)))
def test_any_cut_counts_the_same_and_little_is_held(stream: bytes, places: list[int]) -> None:
    ends = [*sorted(min(place, len(stream)) for place in places), len(stream)]
    scanner, begin = RtcmScanner(), 0
    for end in ends:
        scanner.feed(stream[begin:end])
        assert len(scanner._held) < WHOLE_MOST
        begin = end
    assert scanner.count == counted(stream) == counted(*(bytes((byte,)) for byte in stream))


def test_text_and_noise_hold_no_message() -> None:
    """Of chance: 2**-38 for each byte, so one in some 300,000 megabytes."""
    text = b"".join(burst.data for burst in Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, 600))
    noise = Random(1).randbytes(MEGABYTE)
    assert counted(text * (MEGABYTE // len(text) + 1)) == 0
    assert counted(*(noise[at : at + 4096] for at in range(0, len(noise), 4096))) == 0
