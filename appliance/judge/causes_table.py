"""The table of causes (`causes.toml`): what a row holds, how it is read, and the facts that it may ask for."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any

from appliance.judge.words import SAYS

FACTS: dict[str, str] = {
    "bytes": "bytes heard from the receiver",
    "heard": "how long was listened",
    "fine": "needed messages of which nothing was found wrong",
    "fine_count": "how many those are",
    "missing": "needed messages that never came or stay away",
    "wrong_rate": "messages at a wrong rate, with the rate needed",
    "load_worst": "load of the fullest second, as a ratio",
    "load_wanted": "load that all messages make at the rates needed and the lengths heard, as a ratio",
    "arithmetic": "how that comes about",
    "baud": "the baud needed",
    "baud_fits": "the smallest standard baud that carries it with the headroom asked for",
    "restarts": "silences after which the receiver came back without a fix",
    "other_bytes": "bytes on the line from the controller; absent where that is not listened to",
    "errored_share": "share of seconds with damage",
    "cut_share": "share of all damage that is sentences without their tail",
    "cut_count": "how many of those there were",
    "stray_share": "share of all damage that is bytes outside any sentence",
    "stray_count": "how often those came",
    "damage_count": "all damage: sentences that are not whole or not right, and bytes outside any",
    "strange_share": "share of it that is sentences with a character that no sentence holds",
    "lost_here": "how often this box's own port lost bytes; absent where it does not count them",
    "sentences": "whole sentences heard",
    "buffer_told": "whether the receiver itself said that its buffer overflowed",
    "quality_above": "1: the quality refused is better than one that is accepted",
    "fixed_s": "seconds with a fix",
    "found": "how often a check failed",
    "warned": "how often one warned",
    "clean": "how long nothing has failed",
    "clean_enough": "whether that is as long as the needs ask",
    "date_sentences": "sentences heard of the types that carry a date",
}
"""What else is known than the findings: numbers, or words for a sentence. A row of evidence may ask for a number."""


@dataclass(slots=True, frozen=True)
class Evidence:
    """One row of evidence; it holds if all that it names holds.

    found: any of these checks failed; only then are the others asked of that finding: messages, notes (one of them is
    part of its note), measured (least and most), ratio (measured over needed), times, lasting. without: none of these
    failed. facts: name -> least and most. because: the reason in words; left out: what the finding says.
    """

    weight: float
    found: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    facts: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    measured: tuple[float, float] | None = None
    ratio: tuple[float, float] | None = None
    times: tuple[float, float] | None = None
    lasting: bool | None = None
    because: str = ""


@dataclass(slots=True, frozen=True)
class Cause:
    """One row of the table. minutes: what the first try costs. source: where the row comes from."""

    id: str
    says: str
    prior: float
    minutes: int
    first: str
    proof: str
    source: str
    evidence: tuple[Evidence, ...]


class TableError(ValueError):
    """The table of causes is not as it must be; the message says where."""


_RANGES = ("measured", "ratio", "times")
_LISTS = ("found", "without", "messages", "notes")


def read(words: str) -> tuple[Cause, ...]:
    """The causes in TOML text. Raises TableError, or tomllib's error."""
    return tuple(_cause(id_, row) for id_, row in tomllib.loads(words).items())


@cache
def table() -> tuple[Cause, ...]:
    """The causes that the box knows."""
    return read((resources.files("appliance.judge") / "causes.toml").read_text("utf-8"))


def _cause(id_: str, row: Mapping[str, Any]) -> Cause:
    asked = {"says", "prior", "minutes", "first", "proof", "source", "evidence"}
    if row.keys() != asked:
        raise TableError(f"{id_}: its keys must be {', '.join(sorted(asked))}; wrong: {sorted(row.keys() ^ asked)}")
    evidence = tuple(_evidence(id_, one) for one in row["evidence"])
    if not any(one.weight > 0 for one in evidence):
        raise TableError(f"{id_}: nothing speaks for it")
    return Cause(id_, evidence=evidence, **{key: row[key] for key in asked - {"evidence"}})


def _evidence(id_: str, row: Mapping[str, Any]) -> Evidence:
    unknown = row.keys() - Evidence.__dataclass_fields__.keys()
    unknown |= {one for key in ("found", "without") for one in row.get(key, ()) if one not in SAYS}
    unknown |= row.get("facts", {}).keys() - FACTS.keys()
    if unknown or "weight" not in row:
        raise TableError(f"{id_}: evidence without weight, or names that there are not: {sorted(unknown)}")
    if row["weight"] > 0 and not row.get("found") and not row.get("because"):
        raise TableError(f"{id_}: evidence for it must say why")
    made: dict[str, Any] = dict(row)
    made |= {key: tuple(row[key]) for key in (*_LISTS, *_RANGES) if key in row}
    made["facts"] = {name: tuple(span) for name, span in row.get("facts", {}).items()}
    return Evidence(**made)
