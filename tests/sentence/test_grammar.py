"""The grammar: what each field may hold, at its bounds; how many fields each type may have; nulls everywhere."""

from __future__ import annotations

import random
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.sentence.checksum import checksum
from appliance.sentence.frame import Frame
from appliance.sentence.grammar import DIGITS, LAYOUTS, WHOLE, Field, first_wrong
from appliance.sentence.parse import Damaged, Sentence, parse

TIME = (
    "000000 235959 235960 120000.0 120000.00 120000. 123456.123456789",
    "240000 126000 120061 12345 1234567 12000 -12000 12:00:00 120000.0.0 12000x",
)
LATITUDE = (
    "0000 0000.0 8959.99999999 9000 9000.000 4807.038 4807. 0459.1",
    "9000.001 9001 9100.0 4860.0 480.7 48070.38 -4807.03 4807.-3 807.038",
)
LONGITUDE = (
    "00000 00000.0 17959.99999999 18000 18000.00 01131.000 01131.",
    "18000.1 18001 18100.0 01160.0 1131.000 011310.00 -1131.00 1131",
)
NUMBER = ("0 0.9 .5 5. 99.99 123456789 007.50", "-1 +1 1.2.3 . 1e3 nan inf 1234567890 0x1 1_0")
SIGNED = ("0 -37.6 +46.9 545.4 -.5 5. -0", "- + -- 1-2 1e3 nan 1234567890 .")
TURN = ("0 0.0 7 84.4 084.4 359.99 360 360.00 000", "360.1 361 400 999 -1 0084.4 1.2.3 .5")
MODE = ("A D E F M N P R S", "B X a 1 AA")
SATELLITE = ("1 01 33 120 999", "1000 -1 1.0 A")
DATE = (
    "010100 311299 290224 290223 300424 310124 230394",
    "000124 320124 010024 011324 300224 310424 310624 310924 311124 10124 01012024 0101 0101-4",
)
DAY = ("01 1 9 09 10 29 30 31", "0 00 32 99 001 -1 1.0")
MONTH = ("01 1 9 09 10 12", "0 00 13 99 001")
ZONE = ("00 0 +0 -0 -13 13 +05", "123 +-1 1.5 A")
POSITION: dict[str, tuple[str, str]] = {
    "latitude": LATITUDE,
    "north or south": ("N S", "E n NS 1"),
    "longitude": LONGITUDE,
    "east or west": ("E W", "N e EW 1"),
}

BOUNDS: dict[str, dict[str, tuple[str, str]]] = {
    "GGA": {
        "UTC": TIME,
        **POSITION,
        "quality": ("0 1 4 5 9", "10 -1 A 1.0"),
        "satellites used": ("0 00 8 08 12 33 99", "100 -1 1.0"),
        "HDOP": NUMBER,
        "altitude": SIGNED,
        "unit of altitude": ("M", "F m MM"),
        "geoid separation": SIGNED,
        "unit of separation": ("M", "F m"),
        "age of corrections": NUMBER,
        "station": ("0 0000 0138 1023 9999", "10000 -1 A"),
    },
    "RMC": {
        "UTC": TIME,
        "status": ("A V", "D a AV"),
        **POSITION,
        "speed in knots": SIGNED,
        "course": TURN,
        "date": DATE,
        "magnetic variation": NUMBER,
        "variation east or west": ("E W", "N e"),
        "mode": MODE,
        "navigational status": ("S C U V", "A s"),
    },
    "VTG": {
        "true course": TURN,
        "T": ("T", "M t"),
        "magnetic course": TURN,
        "M": ("M", "T m"),
        "speed in knots": SIGNED,
        "N": ("N", "K n"),
        "speed in km/h": SIGNED,
        "K": ("K", "N k"),
        "mode": MODE,
    },
    "ZDA": {
        "UTC": TIME,
        "day": DAY,
        "month": MONTH,
        "year": ("1999 2010 0000 9999", "99 20200 -999"),
        "zone hours": ZONE,
        "zone minutes": ZONE,
    },
    "GLL": {**POSITION, "UTC": TIME, "status": ("A V", "D"), "mode": MODE},
    "GSA": {
        "selection": ("M A", "B m"),
        "dimensions": ("1 2 3", "0 4 9 11"),
        **{f"satellite {n}": SATELLITE for n in range(1, 13)},
        "PDOP": NUMBER,
        "HDOP": NUMBER,
        "VDOP": NUMBER,
        "system": ("0 1 6 9 A F", "G a 10"),
    },
    "GST": {
        "UTC": TIME,
        "RMS of residuals": NUMBER,
        "error along major axis": NUMBER,
        "error along minor axis": NUMBER,
        "orientation": TURN,
        "error of latitude": NUMBER,
        "error of longitude": NUMBER,
        "error of altitude": NUMBER,
    },
    "GSV": {
        "sentences": ("1 01 9", "100 -1 A"),
        "sentence": ("1 01 9", "100 -1 A"),
        "satellites in view": ("0 00 12 120", "1000 -1"),
        "satellite": SATELLITE,
        "elevation": ("0 00 09 90 -5", "100 1.0 +5"),
        "azimuth": ("0 7 84 084 359 360", "361 999 -1 1.0 0084"),
        "signal to noise": ("0 00 42 99 42.5", "100 -1 A"),
        "signal": ("0 1 9 A F", "G 10 a"),
    },
    "HDT": {"heading": TURN, "T": ("T", "M t")},
}
"""Type -> field -> values let through, values refused."""

COUNTS = {
    "GGA": (14,),
    "RMC": (11, 12, 13),
    "VTG": (8, 9),
    "ZDA": (6,),
    "GLL": (6, 7),
    "GSA": (17, 18),
    "GST": (8,),
    "GSV": (3, 4, 7, 8, 11, 12, 15, 16, 19, 20),
    "HDT": (2,),
}
"""Fields after the address in the versions of the standard (v2.0 to v4.1): IEC 61162-1 / NMEA 0183."""


def judge(type_: str, fields: list[str]) -> Sentence | Damaged:
    """A sentence of these fields, the sum right; judged twice, so that what is known by its shape is met too."""
    body = ",".join(["GN" + type_, *fields]).encode()
    frame = Frame(b"$" + body + b"*%02X\r\n" % checksum(body), 0, 0)
    first, second = parse(frame), parse(frame)
    assert type(first) is type(second)
    return second


def most(type_: str) -> tuple[Field, ...]:
    """All fields that a type may have, one group of what repeats, its tail as well."""
    layout = LAYOUTS[type_]
    return layout.fields + layout.repeat + layout.tail


def test_the_table_of_bounds_names_every_field() -> None:
    assert {type_: list(fields) for type_, fields in BOUNDS.items()} == {
        type_: [field.name for field in most(type_)] for type_ in LAYOUTS
    }


ROWS = [(type_, name) for type_, fields in BOUNDS.items() for name in fields]


@pytest.mark.parametrize(("type_", "name"), ROWS)
def test_the_bounds_of_a_field(type_: str, name: str) -> None:
    names = [field.name for field in most(type_)]
    place = names.index(name)
    passed, refused = BOUNDS[type_][name]
    for value in passed.split():
        fields = [""] * len(names)
        fields[place] = value
        sentence = judge(type_, fields)
        assert isinstance(sentence, Sentence), value
        _ = sentence.content
    for value in refused.split():
        fields = [""] * len(names)
        fields[place] = value
        damaged = judge(type_, fields)
        assert isinstance(damaged, Damaged), value
        assert damaged.reason == "field-wrong"
        assert damaged.says.endswith(f"({type_}: {name} is {value})")


@pytest.mark.parametrize("type_", LAYOUTS)
def test_the_numbers_of_fields(type_: str) -> None:
    assert LAYOUTS[type_].counts() == COUNTS[type_]
    for count in range(30):
        judged = judge(type_, [""] * count)
        if count in COUNTS[type_]:
            assert isinstance(judged, Sentence)
            _ = judged.content
        else:
            assert isinstance(judged, Damaged)
            assert judged.reason == "field-count-wrong"


@pytest.mark.parametrize("type_", LAYOUTS)
def test_each_later_field_of_a_repeated_group_is_judged(type_: str) -> None:
    for count in COUNTS[type_]:
        fields = LAYOUTS[type_].expand(count)
        assert len(fields) == count
        for place, field in enumerate(fields):
            values = [""] * count
            values[place] = "?"
            damaged = judge(type_, values)
            assert isinstance(damaged, Damaged)
            assert damaged.says.endswith(f"{field.name} is ?)")
            assert first_wrong(type_, values) == place


def test_the_first_of_several_wrong_fields_is_named() -> None:
    assert first_wrong("HDT", ["x", "y"]) == 0
    assert first_wrong("HDT", ["", "y"]) == 1


PATTERNS = sorted({field.pattern for layout in LAYOUTS.values() for field in layout.expand(max(layout.counts()))})


@given(data=st.data())
def test_what_is_looked_up_by_shape_is_all_that_depends_on_the_value_of_digits(data: st.DataObject) -> None:
    """A value let through, its digits changed: where its pattern has no look-up, or all look-ups hold, it passes."""
    pattern = data.draw(st.sampled_from(PATTERNS))
    value = data.draw(st.from_regex(re.compile(pattern, re.ASCII), fullmatch=True))
    changed = "".join(str(data.draw(st.integers(0, 9))) if one in "0123456789" else one for one in value)
    digits = DIGITS.get(pattern)
    if digits is not None:
        leading = len(value) - len(value.lstrip("0123456789"))
        if leading not in digits:
            return
        if any(changed[first:last].encode() not in allowed for first, last, allowed in digits[leading]):
            return
    assert re.fullmatch(pattern, changed)


VALUES = {
    (type_, name): ["", *passed.split() * 3, *refused.split()[:2]]
    for type_, fields in BOUNDS.items()
    for name, (passed, refused) in fields.items()
}


@given(seed=st.integers(0, 2**64 - 1))
def test_the_pattern_of_the_whole_says_what_the_patterns_of_its_fields_say(seed: int) -> None:
    dice = random.Random(seed)  # twenty draws of hypothesis an example would take minutes in CI
    type_ = dice.choice(sorted(LAYOUTS))
    count = dice.choice(COUNTS[type_])
    layout = LAYOUTS[type_].expand(count)
    values = [dice.choice(VALUES[type_, field.name]) for field in layout]
    each = all(not value or re.fullmatch(field.pattern, value) for field, value in zip(layout, values, strict=True))
    assert bool(WHOLE[type_][count].fullmatch(",".join(values))) == each
    judged = judge(type_, values)
    assert isinstance(judged, Sentence) == each
