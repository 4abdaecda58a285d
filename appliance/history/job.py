"""The job of a watch: what is fitted to what, for whom, and by whom. Its fields, their bounds, and how they are read.

One table says it all: the form, the command to the box and the commissioning sheet are made from it.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(slots=True, frozen=True)
class Field:
    """One field of a job. most: characters. rows: of its box on the form; more than one keeps line breaks."""

    name: str
    words: str
    hint: str
    most: int = 80
    rows: int = 1


FIELDS = (
    Field("machine", "Machine", "Make, model and number, as on its plate"),
    Field("controller", "Controller", "Make, model and software, as on its screen"),
    Field("harness", "Harness", "Part numbers of the cables between them"),
    Field("work_order", "Work order", "", 40),
    Field("technician", "Technician", "Who fitted it, and who signs"),
    Field("notes", "Notes", "What was done, what to look after", 800, 4),
)


@dataclass(slots=True, frozen=True)
class Job:
    """What FIELDS name; "" where nothing was told."""

    machine: str = ""
    controller: str = ""
    harness: str = ""
    work_order: str = ""
    technician: str = ""
    notes: str = ""


@dataclass(slots=True, frozen=True)
class StoredJob:
    """A job as history keeps it. changed_utc_ns: when it was given, by the box's best clock. watch: whose it is."""

    watch: int
    changed_utc_ns: int
    job: Job


class JobError(ValueError):
    """A job cannot be kept as it is. problems: by the name of the field, what is wrong with it and what to do."""

    def __init__(self, problems: Mapping[str, str]) -> None:
        super().__init__(" ".join(problems.values()))
        self.problems = dict(problems)


def from_given(given: Mapping[str, object]) -> Job:
    """The job in what somebody typed, its blanks put in order. Raises JobError with every field that is wrong."""
    values, problems = {}, {}
    for field in FIELDS:
        value = given.get(field.name, "")
        if not isinstance(value, str):
            problems[field.name] = f"{field.words} must be text."
            continue
        values[field.name] = text = clean(value, many_rows=field.rows > 1)
        if len(text) > field.most:
            problems[field.name] = f"{field.words}: shorten it to {field.most} characters; it has {len(text)}."
    if problems:
        raise JobError(problems)
    return Job(**values)


def clean(text: str, *, many_rows: bool = False) -> str:
    """Without what cannot be shown: control and layout characters, halves of a pair, blanks in a row."""
    rows = text.replace("\r\n", "\n").replace("\r", "\n").split("\n") if many_rows else [text]
    shown = [" ".join("".join(map(_shown, row)).split()) for row in rows]
    return "\n".join(shown).strip()


def _shown(char: str) -> str:
    """Cc: control, Cf: layout, such as one that turns the way of writing; Cs: half of a pair; Cn, Co: nobody's."""
    kind = unicodedata.category(char)
    return " " if kind == "Cc" or char.isspace() else "" if kind in ("Cf", "Cs", "Cn", "Co") else char
