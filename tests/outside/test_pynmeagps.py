"""Every field that we decode, against pynmeagps: over the published sentences and over generated ones.

Where pynmeagps means something else, or cannot read what we read, `EXPLAINED` and the readers below say what and why.
"""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pynmeagps import NMEAReader
from pynmeagps.nmeahelpers import knots2spd

from appliance.sentence import types
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Sentence, parse
from appliance.sentence.types import MAKE, InView

Reader = Callable[[Any, list[str]], Any]
"""From pynmeagps's message, and the fields as sent where it gives up on one, to the value as we mean it."""

TOLERANCES = {"time_s": 1e-6, "latitude_deg": 6e-11, "longitude_deg": 6e-11}
"""pynmeagps rounds seconds to microseconds, and degrees to ten decimals."""

SPEED_RELATIVE = 1e-6
"""pynmeagps's knot is 0.5144447324 m/s, 0.6 millionths longer than 1852 m an hour."""


def number(value: Any) -> float | None:
    return None if value in (None, "") else float(value)


def whole(value: Any) -> int | None:
    return None if value in (None, "") else int(value)


def letter(value: Any) -> Any:
    return value or None


def of(field: str, read: Callable[[Any], Any]) -> Reader:
    """A field that is absent, as in older versions of the standard, is no attribute of the message."""
    return lambda message, _: read(getattr(message, field, None))


def seconds(place: int) -> Reader:
    """pynmeagps gives "" for a leap second, and for more than six decimals."""

    def read(message: Any, fields: list[str]) -> float | None:
        value, sent = message.time, fields[place]
        if value == "" and sent:
            assert sent[4:6] == "60" or len(sent) > len("hhmmss.ssssss")
            return int(sent[:2]) * 3600 + int(sent[2:4]) * 60 + float(sent[4:])
        if value == "":
            return None
        time: datetime.time = value
        return time.hour * 3600 + time.minute * 60 + time.second + time.microsecond / 1e6

    return read


def angle(field: str, side: str, place: int) -> Reader:
    """pynmeagps gives "" for a place without a decimal point: then it is read with `.0` added."""

    def read(message: Any, fields: list[str]) -> float | None:
        sent = fields[place]
        if not sent:
            assert getattr(message, field) == ""
            return None
        if "." not in sent:
            assert getattr(message, field) == ""
            again = ",".join(["GPGLL", sent + ".0", fields[place + 1], sent + ".0", fields[place + 1], "", "A"])
            message = NMEAReader.parse(f"${again}*00\r\n".encode(), validate=0)
            value = abs(message.lat)
            return float(-value if getattr(message, "NS" if side == "NS" else "EW") in "SW" else value)
        return number(getattr(message, field))

    return read


def speed(message: Any, _: list[str]) -> float | None:
    return None if message.spd == "" else float(knots2spd(message.spd, "MS"))


def speed_vtg(message: Any, _: list[str]) -> float | None:
    if message.sogn != "":
        return float(knots2spd(message.sogn, "MS"))
    return None if message.sogk == "" else float(message.sogk) / 3.6


def date_rmc(message: Any, fields: list[str]) -> Any:
    """strptime takes the years 69 to 99 for 19xx, we 80 to 99: GPS began in 1980.

    pynmeagps gives "" where there is no such day, which is 29 February of some years: we keep what was sent.
    """
    value, sent = message.date, fields[8]
    if value == "" and sent:
        assert sent[:4] == "2902"
        return (_century(int(sent[4:])), 2, 29)
    return None if value == "" else (_century(value.year % 100), value.month, value.day)


def _century(year: int) -> int:
    return 1900 + year if year >= 80 else 2000 + year


def variation(message: Any, _: list[str]) -> float | None:
    """pynmeagps leaves the sign to the caller: west is negative."""
    size = number(message.mv)
    return -size if size is not None and message.mvEW == "W" else size


def date_zda(message: Any, _: list[str]) -> Any:
    parts = (message.year, message.month, message.day)
    return None if "" in parts else parts


def station(message: Any, fields: list[str]) -> str | None:
    """pynmeagps makes an integer of it, which drops leading noughts."""
    if message.diffStation == "":
        return None
    assert int(fields[13]) == message.diffStation
    return fields[13]


def used(message: Any, _: list[str]) -> tuple[int, ...]:
    every = [getattr(message, f"svid_{n:02d}") for n in range(1, 13)]
    return tuple(one for one in every if one != "")


def seen(message: Any, fields: list[str]) -> tuple[InView, ...]:
    return tuple(
        InView(
            whole(getattr(message, f"svid_{n:02d}")),
            whole(getattr(message, f"elv_{n:02d}")),
            whole(getattr(message, f"az_{n:02d}")),
            number(getattr(message, f"cno_{n:02d}")),
        )
        for n in range(1, (len(fields) - 3) // 4 + 1)
    )


def position(first: int) -> dict[str, Reader]:
    return {"latitude_deg": angle("lat", "NS", first), "longitude_deg": angle("lon", "EW", first + 2)}


READERS: dict[str, dict[str, Reader]] = {
    "GGA": {
        "time_s": seconds(0),
        **position(1),
        "quality": of("quality", whole),
        "satellites": of("numSV", whole),
        "hdop": of("HDOP", number),
        "altitude_m": of("alt", number),
        "geoid_m": of("sep", number),
        "age_s": of("diffAge", number),
        "station": station,
    },
    "RMC": {
        "time_s": seconds(0),
        **position(2),
        "status": of("status", letter),
        "speed_mps": speed,
        "course_deg": of("cog", number),
        "date": date_rmc,
        "variation_deg": variation,
        "mode": of("posMode", letter),
        "navigational": of("navStatus", letter),
    },
    "VTG": {
        "course_deg": of("cogt", number),
        "magnetic_deg": of("cogm", number),
        "speed_knots": of("sogn", number),
        "speed_kmh": of("sogk", number),
        "speed_mps": speed_vtg,
        "mode": of("posMode", letter),
    },
    "ZDA": {
        "time_s": seconds(0),
        "date": date_zda,
        "zone_hours": of("ltzh", whole),
        "zone_minutes": of("ltzn", whole),
    },
    "GLL": {
        "time_s": seconds(4),
        **position(0),
        "status": of("status", letter),
        "mode": of("posMode", letter),
    },
    "GSA": {
        "selection": of("opMode", letter),
        "dimensions": of("navMode", whole),
        "satellites": used,
        "pdop": of("PDOP", number),
        "hdop": of("HDOP", number),
        "vdop": of("VDOP", number),
        "system": of("systemId", letter),
    },
    "GST": {
        "time_s": seconds(0),
        "rms_m": of("rangeRms", number),
        "major_m": of("stdMajor", number),
        "minor_m": of("stdMinor", number),
        "orientation_deg": of("orient", number),
        "latitude_m": of("stdLat", number),
        "longitude_m": of("stdLong", number),
        "altitude_m": of("stdAlt", number),
    },
    "GSV": {
        "sentences": of("numMsg", whole),
        "sentence": of("msgNum", whole),
        "in_view": of("numSV", whole),
        "satellites": seen,
        "signal": of("signalID", letter),
    },
    "HDT": {"heading_deg": of("headingT", number)},
}
"""Type -> our field -> how to read the same from pynmeagps's message."""

EXPLAINED = {
    ("GGA", "decimals"): "pynmeagps keeps no text of the place, so not how many decimals were sent",
    ("RMC", "decimals"): "the same",
    ("GLL", "decimals"): "the same",
}


def compare(raw: bytes) -> None:
    sentence = parse(Frame(raw, 0, 0))
    assert isinstance(sentence, Sentence)
    message = NMEAReader.parse(raw)
    assert message is not None
    assert (message.talker, message.msgID, message.payload) == (sentence.talker, sentence.type, sentence.fields)
    for name, read in READERS[sentence.type].items():
        ours, theirs = getattr(sentence.content, name), read(message, sentence.fields)
        if name in TOLERANCES and ours is not None and theirs is not None:
            assert ours == pytest.approx(theirs, rel=0, abs=TOLERANCES[name]), name
        elif name == "speed_mps" and ours is not None and theirs is not None:
            assert ours == pytest.approx(theirs, rel=SPEED_RELATIVE, abs=0), name
        else:
            assert ours == theirs, name


def test_every_field_is_compared_or_explained(said: dict[str, st.SearchStrategy[bytes]]) -> None:
    assert set(READERS) == set(said) == set(MAKE)
    for type_, readers in READERS.items():
        names = {field.name for field in dataclasses.fields(getattr(types, type_))}
        assert names == set(readers) | {name for explained, name in EXPLAINED if explained == type_}


def test_published_sentences(published: dict[str, Any]) -> None:
    compare(published["says"].encode("ascii") + b"\r\n")


EXAMPLES = max(30, settings().max_examples // len(READERS) + 1)
"""Of each type, so that all types together have as many as the profile asks."""


@pytest.mark.parametrize("type_", READERS)
def test_generated_sentences(type_: str, said: dict[str, st.SearchStrategy[bytes]]) -> None:
    @settings(max_examples=EXAMPLES)
    @given(raw=said[type_])
    def holds(raw: bytes) -> None:
        compare(raw)

    holds()
