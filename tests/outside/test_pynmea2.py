"""Every field that we decode, against pynmea2: over the published sentences and over generated ones.

Where pynmea2 means something else, or cannot read what we read, `EXPLAINED` and the readers below say what and why.
"""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pynmea2.nmea_utils import dm_to_sd

from appliance.sentence import types
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Sentence, parse
from appliance.sentence.types import GSA, GSV, MAKE, InView

Reader = Callable[[Any], Any]

TOLERANCES = {"time_s": 2e-6, "latitude_deg": 1e-12, "longitude_deg": 1e-12}
"""pynmea2 cuts seconds to microseconds, and .000249 in floating point to 248 of them.

Its degrees are worked out as ours are, in another order.
"""


def number(value: Any) -> float | None:
    return None if value in (None, "") else float(value)


def whole(value: Any) -> int | None:
    return None if value in (None, "") else int(value)


def letter(value: Any) -> Any:
    return value or None


def seconds(value: Any) -> float | None:
    """pynmea2 gives the text back where there is no such time of day, which to it includes a leap second."""
    if isinstance(value, str):
        assert value[4:6] == "60"
        return int(value[:2]) * 3600 + int(value[2:4]) * 60 + float(value[4:])
    if value is None:
        return None
    time: datetime.time = value
    return time.hour * 3600 + time.minute * 60 + time.second + time.microsecond / 1e6


def place(name: str) -> Reader:
    """pynmea2 gives 0.0 for null, and refuses a place without a decimal point: that is read with `.0` added."""

    def read(message: Any) -> float | None:
        field, side = ("lat", "lat_dir") if name == "latitude" else ("lon", "lon_dir")
        value = getattr(message, field)
        if not value or not getattr(message, side):
            return None
        if "." not in value:
            size = dm_to_sd(value + ".0")
            return float(-size if getattr(message, side) in "SW" else size)
        return float(getattr(message, name))

    return read


def decimals(message: Any) -> int | None:
    """pynmea2 keeps latitude and longitude as text: their exponents as decimal numbers."""
    sent = [text for text in (message.lat, message.lon) if text]
    return min((-int(Decimal(text).as_tuple().exponent) for text in sent), default=None)


def speed(field: str, kmh: str = "") -> Reader:
    """pynmea2 leaves knots and km/h; the knot is 1852 m an hour (BIPM, SI brochure, 8th edition, table 8)."""

    def read(message: Any) -> float | None:
        knots = number(getattr(message, field))
        if knots is not None:
            return knots * 1852 / 3600
        other = number(getattr(message, kmh)) if kmh else None
        return None if other is None else other / 3.6

    return read


def date_rmc(message: Any) -> Any:
    """Two digits of the year. strptime, which pynmea2 uses, takes 69 to 99 for 19xx, we 80 to 99: GPS began in 1980.

    pynmea2 gives text back where there is no such day, which is 29 February of some years: we keep what was sent.
    """
    value = message.datestamp
    if isinstance(value, str):
        assert value[:4] == "2902"
        return (_century(int(value[4:])), 2, 29)
    return None if value is None else (_century(value.year % 100), value.month, value.day)


def _century(year: int) -> int:
    return 1900 + year if year >= 80 else 2000 + year


def variation(message: Any) -> float | None:
    """pynmea2 leaves the sign to the caller: west is negative."""
    size = number(message.mag_variation)
    return -size if size is not None and message.mag_var_dir == "W" else size


def date_zda(message: Any) -> Any:
    parts = (message.year, message.month, message.day)
    return None if None in parts else parts


def used(message: Any) -> tuple[int, ...]:
    every = [getattr(message, f"sv_id{n:02d}") for n in range(1, 13)]
    return tuple(int(one) for one in every if one)


def seen(message: Any) -> tuple[InView, ...]:
    """pynmea2 knows no signal id: after fewer than four satellites it takes it for the next one's number."""
    groups = (len(message.data) - 3) // 4
    return tuple(
        InView(
            whole(getattr(message, f"sv_prn_num_{n}")),
            whole(getattr(message, f"elevation_deg_{n}")),
            whole(getattr(message, f"azimuth_{n}")),
            number(getattr(message, f"snr_{n}")),
        )
        for n in range(1, groups + 1)
    )


def of(field: str, read: Callable[[Any], Any]) -> Reader:
    return lambda message: read(getattr(message, field))


POSITION: dict[str, Reader] = {
    "latitude_deg": place("latitude"),
    "longitude_deg": place("longitude"),
    "decimals": decimals,
}
TIME: dict[str, Reader] = {"time_s": of("timestamp", seconds)}

READERS: dict[str, dict[str, Reader]] = {
    "GGA": {
        **TIME,
        **POSITION,
        "quality": of("gps_qual", whole),
        "satellites": of("num_sats", whole),
        "hdop": of("horizontal_dil", number),
        "altitude_m": of("altitude", number),
        "geoid_m": of("geo_sep", number),
        "age_s": of("age_gps_data", number),
        "station": of("ref_station_id", letter),
    },
    "RMC": {
        **TIME,
        **POSITION,
        "status": of("status", letter),
        "speed_mps": speed("spd_over_grnd"),
        "course_deg": of("true_course", number),
        "date": date_rmc,
        "variation_deg": variation,
        "mode": of("mode_indicator", letter),
        "navigational": of("nav_status", letter),
    },
    "VTG": {
        "course_deg": of("true_track", number),
        "magnetic_deg": of("mag_track", number),
        "speed_knots": of("spd_over_grnd_kts", number),
        "speed_kmh": of("spd_over_grnd_kmph", number),
        "speed_mps": speed("spd_over_grnd_kts", "spd_over_grnd_kmph"),
        "mode": of("faa_mode", letter),
    },
    "ZDA": {
        **TIME,
        "date": date_zda,
        "zone_hours": of("local_zone", whole),
        "zone_minutes": of("local_zone_minutes", whole),
    },
    "GLL": {**TIME, **POSITION, "status": of("status", letter), "mode": of("faa_mode", letter)},
    "GSA": {
        "selection": of("mode", letter),
        "dimensions": of("mode_fix_type", whole),
        "satellites": used,
        "pdop": of("pdop", number),
        "hdop": of("hdop", number),
        "vdop": of("vdop", number),
    },
    "GST": {
        **TIME,
        "rms_m": of("rms", number),
        "major_m": of("std_dev_major", number),
        "minor_m": of("std_dev_minor", number),
        "orientation_deg": of("orientation", number),
        "latitude_m": of("std_dev_latitude", number),
        "longitude_m": of("std_dev_longitude", number),
        "altitude_m": of("std_dev_altitude", number),
    },
    "GSV": {
        "sentences": of("num_messages", whole),
        "sentence": of("msg_num", whole),
        "in_view": of("num_sv_in_view", whole),
        "satellites": seen,
    },
    "HDT": {"heading_deg": of("heading", number)},
}
"""Type -> our field -> how to read the same from pynmea2's message."""

EXPLAINED = {
    ("GSA", "system"): "pynmea2 has no 18th field, which came with version 4.1: compared with its raw data",
    ("GSV", "signal"): "pynmea2 has no signal id, which came with version 4.1: compared with its raw data",
}


def compare(raw: bytes) -> None:
    sentence = parse(Frame(raw, 0, 0))
    assert isinstance(sentence, Sentence)
    message = pynmea2.parse(raw.decode("ascii"), check=True)
    content = sentence.content
    assert (message.talker, message.sentence_type, message.data) == (sentence.talker, sentence.type, sentence.fields)
    for name, read in READERS[sentence.type].items():
        ours, theirs = getattr(content, name), read(message)
        if name in TOLERANCES and ours is not None and theirs is not None:
            assert ours == pytest.approx(theirs, rel=0, abs=TOLERANCES[name]), name
        elif isinstance(ours, float) and theirs is not None:
            assert ours == pytest.approx(theirs, rel=1e-12, abs=0), name
        else:
            assert ours == theirs, name
    if isinstance(content, GSA):
        assert content.system == ((message.data[17:] or [None])[0] or None)
    if isinstance(content, GSV):
        signal = message.data[-1] if len(message.data) % 4 == 0 else None
        assert content.signal == (signal or None)


def test_every_field_is_compared_or_explained(said: dict[str, st.SearchStrategy[bytes]]) -> None:
    assert set(READERS) == set(said) == set(MAKE)
    for type_, readers in READERS.items():
        names = {field.name for field in dataclasses.fields(getattr(types, type_))}
        assert names == set(readers) | {name for explained, name in EXPLAINED if explained == type_}


def test_published_sentences(published: dict[str, Any]) -> None:
    compare(published["says"].encode("ascii") + b"\r\n")


def test_a_time_that_pynmea2_cuts_twice() -> None:
    compare(b"$GPZDA,235959.000249,,,,,*68\r\n")


EXAMPLES = max(30, settings().max_examples // len(READERS) + 1)
"""Of each type, so that all types together have as many as the profile asks."""


@pytest.mark.parametrize("type_", READERS)
def test_generated_sentences(type_: str, said: dict[str, st.SearchStrategy[bytes]]) -> None:
    @settings(max_examples=EXAMPLES)
    @given(raw=said[type_])
    def holds(raw: bytes) -> None:
        compare(raw)

    holds()
