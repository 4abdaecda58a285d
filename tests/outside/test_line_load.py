"""The load of the line against a table worked out beforehand from lengths alone, and the lengths against sentences.

Ten bits a character at 8N1, and with 8 decimals of a minute GGA 92, VTG 47, RMC 87 and ZDA 38 characters.
"""

from __future__ import annotations

import pytest

from appliance.measure.load import Load
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse

BODIES = {
    "GGA": "GNGGA,130058.00,5327.03598945,N,00214.41467156,W,4,18,0.7,136.301,M,-51.677,M,1.0,0138",
    "VTG": "GNVTG,147.44,T,164.31,M,10.26,N,19.00,K,D",
    "RMC": "GNRMC,130058.00,A,5327.03598945,N,00214.41467156,W,10.26,147.44,040526,16.9,W,D,V",
    "ZDA": "GNZDA,130058.00,04,05,2026,00,00",
}
CHARACTERS = {"GGA": 92, "VTG": 47, "RMC": 87, "ZDA": 38}
BAUDS = (4800, 9600, 19_200, 38_400, 115_200)

TABLE: tuple[tuple[dict[str, int], int, tuple[int, ...]], ...] = (
    ({"GGA": 5, "VTG": 5, "RMC": 1, "ZDA": 1}, 820, (171, 85, 43, 21, 7)),
    ({"GGA": 5, "VTG": 5, "RMC": 5, "ZDA": 5}, 1320, (275, 138, 69, 34, 11)),
    ({"GGA": 10, "VTG": 10, "RMC": 1, "ZDA": 1}, 1515, (316, 158, 79, 39, 13)),
    ({"GGA": 10, "VTG": 10, "RMC": 10, "ZDA": 10}, 2640, (550, 275, 138, 69, 23)),
)
"""Rates in Hz -> bytes a second -> load in percent at each baud, rounded."""


def sentence(type_: str) -> bytes:
    body = BODIES[type_]
    raw = f"${body}*{checksum(body.encode()):02X}\r\n".encode()
    assert isinstance(parse(Framer().feed(Chunk(raw, 0, 1))[0]), Sentence)
    return raw


def second(rates_hz: dict[str, int]) -> list[tuple[int, bytes]]:
    """Instants in ns and what is sent then, of one second."""
    sent: dict[int, bytes] = {}
    for type_, rate_hz in rates_hz.items():
        for n in range(rate_hz):
            at_ns = n * 1_000_000_000 // rate_hz
            sent[at_ns] = sent.get(at_ns, b"") + sentence(type_)
    return sorted(sent.items())


def fed(rates_hz: dict[str, int], baud: int, seconds: int) -> Load:
    load = Load(baud)
    for n in range(seconds):
        for at_ns, data in second(rates_hz):
            load.add(Chunk(data, n * 1_000_000_000 + at_ns, 0))
    return load


@pytest.mark.parametrize("type_", BODIES)
def test_the_lengths(type_: str) -> None:
    assert len(sentence(type_)) == CHARACTERS[type_]


@pytest.mark.parametrize(("rates_hz", "bytes_hz", "percents"), TABLE)
def test_the_table(rates_hz: dict[str, int], bytes_hz: int, percents: tuple[int, ...]) -> None:
    assert sum(CHARACTERS[type_] * rate_hz for type_, rate_hz in rates_hz.items()) == bytes_hz
    for baud, percent in zip(BAUDS, percents, strict=True):
        load = fed(rates_hz, baud, 10)
        mean = load.mean_ratio(10_000_000_000)
        assert mean is not None
        assert round(mean * 100) == percent
        assert round(load.worst_ratio() * 100) == percent
        assert load.total == bytes_hz * 10


def test_the_burst_of_a_full_second() -> None:
    """All four at once: 69 ms at 38,400 baud, and at 9600 275 ms, which is longer than a fifth of a second."""
    burst = sum(CHARACTERS.values())
    assert [round(burst * 10 / baud * 1000) for baud in (38_400, 9600)] == [69, 275]
