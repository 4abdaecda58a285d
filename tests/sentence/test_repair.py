"""One turned bit, found again where sum, grammar and neighbour leave no other."""

from __future__ import annotations

from itertools import pairwise
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from appliance.sentence.frame import Frame
from appliance.sentence.parse import Sentence, parse
from appliance.sentence.repair import one_bit
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings

SAID = [
    raw
    for burst in Receiver(ReceiverSettings(), Drive(3), 3).epochs(0, 40)
    for raw in burst.data.splitlines(keepends=True)
]
GGA = [raw for raw in SAID if raw[3:6] == b"GGA"]


def turned(raw: bytes, at: int, bit: int) -> bytes:
    spoilt = bytearray(raw)
    spoilt[at] ^= 1 << bit
    return bytes(spoilt)


def test_a_letter_that_can_be_no_digit_is_told_without_a_neighbour() -> None:
    """By hand: bit 6 of the seventh byte makes `0` (30 hex) a `p` (70); a sum off by 40 hex leaves one candidate that
    grammar lets pass, since every other byte would leave its alphabet."""
    raw = b"$GPZDA,001500.00,04,05,2026,00,00*65\r\n"
    assert isinstance(parse(Frame(raw, 0, 0)), Sentence)
    found = one_bit(turned(raw, 7, 6))
    assert found is not None
    assert (found.meant, found.at, found.bit) == (raw, 7, 6)


def test_a_digit_that_could_be_another_is_told_only_with_a_neighbour() -> None:
    raw, before = GGA[6], GGA[5]
    at = raw.index(b",N,") - 12  # a digit of the minutes that moves slowly
    spoilt = turned(raw, at, 0)
    assert one_bit(spoilt) is None
    assert raw[at] == before[at]


def test_nothing_is_told_of_two_turned_bits_of_one_row_nor_of_a_cut_one() -> None:
    raw = SAID[1]
    assert one_bit(turned(turned(raw, 8, 0), 9, 1), [SAID[3]]) is None
    assert one_bit(raw[:20]) is None
    assert one_bit(b"") is None
    assert one_bit(b"$*00\r\n") is None


def test_what_is_told_is_so() -> None:
    """Of many turned bits, each in a row between two of its kind: what is told is hardly ever wrong."""
    dice = Random(8)
    right = wrong = 0
    for before, after in pairwise(GGA):
        for _ in range(4):
            at, bit = dice.randrange(len(before)), dice.randrange(8)
            found = one_bit(turned(before, at, bit), [after])
            if found is not None:
                right += found.meant == before
                wrong += found.meant != before
    assert right > 0.3 * 4 * len(GGA)
    assert wrong <= 0.02 * right


@given(st.binary(max_size=120))
def test_never_raises_and_what_it_gives_is_whole(raw: bytes) -> None:
    found = one_bit(b"$" + raw, SAID[:4])
    if found is not None:
        assert isinstance(parse(Frame(found.meant, 0, 0)), Sentence)
        assert sum((one ^ other).bit_count() for one, other in zip(found.meant, b"$" + raw, strict=True)) == 1
