"""The checksum against the plain definition, and against two public libraries."""

from __future__ import annotations

import functools
import operator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pynmea2 import NMEASentence
from pynmeagps.nmeahelpers import calc_checksum

from appliance.sentence.checksum import checksum


def plainly(body: bytes) -> int:
    """As the standard words it: the exclusive or of all of them."""
    return functools.reduce(operator.xor, body, 0)


@pytest.mark.parametrize("size", [*range(140), 255, 256, 257, 511, 512, 513, 1023, 1024])
def test_every_length_about_the_folds(size: int) -> None:
    for body in (bytes(range(256)) * 4, b"\xff" * 1024, b"$GPGGA,123519," * 80):
        assert checksum(body[:size]) == plainly(body[:size])


@given(body=st.binary(max_size=1100))
def test_any_bytes(body: bytes) -> None:
    assert checksum(body) == plainly(body)


@given(text=st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=200))
def test_any_text_against_pynmea2_and_pynmeagps(text: str) -> None:
    ours = checksum(text.encode("ascii"))
    assert ours == NMEASentence.checksum(text)
    assert f"{ours:02X}" == calc_checksum(text)
