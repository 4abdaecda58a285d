"""Positions in degrees against exact arithmetic in fractions, and what a decimal of a minute is worth in metres."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.sentence.checksum import checksum
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Sentence, parse
from appliance.sentence.types import GLL

EXACT_DEG = Fraction(1, 10**13)
"""Two roundings of a number below 180 in double precision, 2 x 2^-46: a hundredth of a micrometre on the ground."""

METRES_A_MINUTE = 1852
"""One minute of latitude, by which the nautical mile was once defined."""


def gll(latitude: str, north: str, longitude: str, east: str) -> GLL:
    body = f"GPGLL,{latitude},{north},{longitude},{east},120000,A".encode()
    sentence = parse(Frame(b"$" + body + b"*%02X\r\n" % checksum(body), 0, 0))
    assert isinstance(sentence, Sentence)
    assert isinstance(sentence.content, GLL)
    return sentence.content


def exact(degrees: int, minutes: str, negative: bool) -> Fraction:
    value = degrees + Fraction(minutes) / 60
    return -value if negative else value


MINUTES = st.builds(
    lambda whole, rest: f"{whole:02d}" + (f".{rest}" if rest else ""),
    st.integers(0, 59),
    st.text("0123456789", max_size=8),
)


@given(
    latitude=st.tuples(st.integers(0, 89), MINUTES, st.sampled_from("NS")),
    longitude=st.tuples(st.integers(0, 179), MINUTES, st.sampled_from("EW")),
)
def test_degrees_are_right_to_the_last_place(latitude: tuple[int, str, str], longitude: tuple[int, str, str]) -> None:
    told = gll(f"{latitude[0]:02d}{latitude[1]}", latitude[2], f"{longitude[0]:03d}{longitude[1]}", longitude[2])
    assert told.latitude_deg is not None
    assert told.longitude_deg is not None
    assert abs(Fraction(told.latitude_deg) - exact(latitude[0], latitude[1], latitude[2] == "S")) <= EXACT_DEG
    assert abs(Fraction(told.longitude_deg) - exact(longitude[0], longitude[1], longitude[2] == "W")) <= EXACT_DEG


@pytest.mark.parametrize(
    ("latitude", "north", "degrees"),
    [("9000.000", "N", 90.0), ("9000", "S", -90.0), ("0000.0", "S", 0.0), ("4530.0", "N", 45.5), ("4530", "S", -45.5)],
)
def test_degrees_at_the_ends(latitude: str, north: str, degrees: float) -> None:
    assert gll(latitude, north, "18000.0", "E").latitude_deg == degrees
    assert gll(latitude, north, "18000.0", "W").longitude_deg == -180.0


@pytest.mark.parametrize(
    ("decimals", "resolution_m"),
    [(0, 1852.0), (3, 1.852), (4, 0.1852), (5, 0.01852), (6, 0.001852), (7, 0.0001852), (8, 0.00001852)],
)
def test_what_the_last_decimal_is_worth_survives_decoding(decimals: int, resolution_m: float) -> None:
    """1852 m a minute, a tenth with each decimal. At 8 decimals that is 0.02 mm, still seen at 89 degrees."""
    point = "." if decimals else ""
    lower, upper = (f"8929{point}" + f"{last:0{decimals}d}" * bool(decimals) for last in (4, 5))
    if not decimals:
        lower, upper = "8929", "8930"
    first, second = gll(lower, "N", "00000", "E"), gll(upper, "N", "00000", "E")
    assert first.latitude_deg is not None
    assert second.latitude_deg is not None
    metres = (second.latitude_deg - first.latitude_deg) * 60 * METRES_A_MINUTE
    assert metres == pytest.approx(resolution_m, rel=2e-4)
    assert gll(lower, "N", "0" + lower, "E").decimals == decimals
    assert gll(lower, "N", "00000.0", "E").decimals == min(decimals, 1)
