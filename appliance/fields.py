"""The fields of a sentence by name: from the grammar for what is judged, through pynmea2 for every other type."""

from __future__ import annotations

from functools import lru_cache

import pynmea2

from appliance.sentence.grammar import LAYOUTS
from appliance.sentence.parse import Sentence


def fields_by_name(sentence: Sentence) -> list[tuple[str, str]]:
    """(name, value as sent) of each field in order. Fields that nobody names are called by their number."""
    if sentence.talker != "P" and sentence.type in LAYOUTS:
        layout = LAYOUTS[sentence.type].expand(len(sentence.fields))
        return [(field.name, value) for field, value in zip(layout, sentence.fields, strict=True)]
    return list(_named(sentence.frame.raw, tuple(sentence.fields)))


def words(talker: str, type_: str) -> str:
    """What a type of sentence tells, in words; "" where it is not known."""
    layout = LAYOUTS.get(type_)
    if talker == "P":
        return "a maker's own sentence"
    return layout.words if layout else _title(type_)


@lru_cache(maxsize=256)
def _named(raw: bytes, values: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    names: list[str] = []
    try:
        parsed = pynmea2.parse(raw.decode("ascii", "replace").strip(), check=False)
        extra = max(0, len(parsed.data) - len(values))  # what it cuts off a maker's own address
        names = [field[0] for field in getattr(parsed, "fields", ())][extra:]
    except (pynmea2.ParseError, ValueError, TypeError, AttributeError, IndexError):
        pass  # a library that stumbles over a sentence costs its names, not the sentence
    names += [f"field {number}" for number in range(len(names) + 1, len(values) + 1)]
    return tuple(zip(names, values, strict=False))


@lru_cache(maxsize=256)
def _title(type_: str) -> str:
    """The first line of pynmea2's own description of a type, where it has one that says something."""
    kind = getattr(pynmea2.types.talker, type_, None)
    title = ((kind and kind.__doc__) or "").strip().splitlines()
    return title[0].strip().rstrip(".") if title else ""
