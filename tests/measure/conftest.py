"""Epochs made from sentences as they stand on a line, for what measures by the epoch."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import pytest

from appliance.measure.epoch import Epoch
from appliance.sentence.checksum import checksum
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Sentence, parse

SECOND = 1_000_000_000

GGA = {
    "time": "", "latitude": "5206.00000123", "north": "N", "longitude": "00112.00000457", "east": "W", "quality": "4",
    "satellites": "18", "hdop": "0.7", "altitude": "112.0", "M": "M", "geoid": "47.2", "M2": "M", "age": "1.0",
    "station": "0131",
}  # fmt: skip
RMC = {
    "time": "", "status": "A", "latitude": "5206.00000123", "north": "N", "longitude": "00112.00000457", "east": "W",
    "knots": "4.6", "course": "81.0", "date": "040526", "variation": "", "side": "", "mode": "R", "navigational": "V",
}  # fmt: skip
GLL = {
    "latitude": "5206.00000123", "north": "N", "longitude": "00112.00000457", "east": "W", "time": "", "status": "A",
    "mode": "R",
}  # fmt: skip
VTG = {"true": "81.0", "T": "T", "magnetic": "", "M": "M", "knots": "4.6", "N": "N", "kmh": "8.5", "K": "K",
       "mode": "R"}  # fmt: skip
FIELDS: dict[str, Mapping[str, str]] = {"GGA": GGA, "RMC": RMC, "GLL": GLL, "VTG": VTG}

Said = tuple[str, Mapping[str, str]]


def _sentence(address: str, changes: Mapping[str, str], at_ns: int, time_s: float) -> Sentence:
    fields = dict(FIELDS[address[-3:]])
    minutes, seconds = divmod(round(time_s * 100) / 100, 60)
    if "time" in fields:
        fields["time"] = f"{int(minutes) // 60 % 24:02d}{int(minutes) % 60:02d}{seconds:05.2f}"
    assert set(changes) <= set(fields), changes
    body = ",".join([address, *(fields | dict(changes)).values()]).encode()
    heard = parse(Frame(b"$" + body + b"*%02X\r\n" % checksum(body), at_ns, at_ns))
    assert isinstance(heard, Sentence), heard
    return heard


@pytest.fixture
def epoch() -> Callable[..., Epoch]:
    """epoch(at_s, ("GNGGA", {"quality": "5"}), …): what was said at one instant; fields not named are usual ones."""

    def make(at_s: float, *said: Said) -> Epoch:
        at_ns = round(at_s * SECOND)
        sentences = [_sentence(address, changes, at_ns, at_s) for address, changes in said]
        contents = {one.type: one.content for one in sentences if one.content is not None}
        return Epoch(at_s % 86_400, at_ns, at_ns, sentences, contents)

    return make


@pytest.fixture
def instants() -> Callable[..., Iterable[float]]:
    """instants(from_s, to_s, rate_hz): the times of epochs."""

    def make(from_s: float, to_s: float, rate_hz: float = 5.0) -> list[float]:
        return [round(from_s + number / rate_hz, 6) for number in range(round((to_s - from_s) * rate_hz))]

    return make
