"""Sentences published by others: each is judged good and tells what it says; those published wrong are refused."""

from __future__ import annotations

import dataclasses
from fractions import Fraction
from typing import Any

import pytest

from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Frame, Framer
from appliance.sentence.parse import Damaged, Sentence, parse
from appliance.sentence.types import InView


def heard(says: str) -> Sentence | Damaged:
    """As it comes off a line, ended by CR LF."""
    frames: list[Frame] = Framer().feed(Chunk(says.encode("ascii") + b"\r\n", 0, 1))
    assert len(frames) == 1
    return parse(frames[0])


def degrees(place: list[str]) -> float:
    """Exactly worked out, then rounded once."""
    whole, minutes, side = place
    exact = Fraction(whole) + Fraction(minutes) / 60
    return float(-exact if side in "SW" else exact)


def told(row: dict[str, Any]) -> dict[str, Any]:
    """What the row says that the sentence tells, as the values of its dataclass that are not null."""
    tells: dict[str, Any] = dict(row["tells"])
    for key, value in tells.items():
        if key in ("latitude_deg", "longitude_deg") and isinstance(value, list):
            tells[key] = degrees(value)
        elif isinstance(value, list):
            tells[key] = tuple(value)
    if "seen" in row:
        tells["satellites"] = tuple(InView(*(*seen, None)[:4]) for seen in row["seen"])
    return tells


def test_a_published_sentence_tells_what_it_says(published: dict[str, Any]) -> None:
    sentence = heard(published["says"])
    assert isinstance(sentence, Sentence), published["source"]
    assert sentence.marks == (("long",) if len(published["says"]) + 2 > 82 else ())
    assert (sentence.talker, sentence.type) == (published["says"][1:3], published["says"][3:6])
    assert ",".join(sentence.fields) == published["says"][7:-3]
    content = sentence.content
    assert content is not None
    # Decimal minutes are read as floating point: degrees agree to a few units in the last place.
    values = {field.name: getattr(content, field.name) for field in dataclasses.fields(content)}
    assert {name: value for name, value in values.items() if value is not None} == {
        key: pytest.approx(value, rel=1e-15, abs=1e-13) if isinstance(value, float) else value
        for key, value in told(published).items()
    }


def test_a_sentence_published_wrong_is_refused(refused: dict[str, Any]) -> None:
    damaged = heard(refused["says"])
    assert isinstance(damaged, Damaged), refused["source"]
    assert damaged.reason == refused["reason"]


def test_the_sum_that_the_wrong_one_should_have_had() -> None:
    """Of the sentence in SlashDevin/NeoGPS #137 printed with *68: the sum of what is printed is 69."""
    damaged = heard("$GPZDA,142504.00,28,03,2020,00,00*68")
    assert isinstance(damaged, Damaged)
    assert "sent 68, should be 69" in damaged.says
    assert isinstance(heard("$GPZDA,142504.00,28,03,2020,00,00*69"), Sentence)


def test_every_type_understood_is_among_the_published(published_rows: list[dict[str, Any]]) -> None:
    assert {row["says"][3:6] for row in published_rows} == {
        "GGA", "RMC", "VTG", "ZDA", "GLL", "GSA", "GST", "GSV", "HDT",
    }  # fmt: skip
