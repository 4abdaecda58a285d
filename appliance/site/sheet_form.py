"""A needs sheet as a form: a field for each key, made from the key's own definition, and back into a TOML document.

A field is named as its key is written, such as "message.GGA.rate_hz". What cannot be read as its kind is handed on as
text, so that it is told with the field, in the words of every other mistake.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from appliance.judge.key import Key
from appliance.judge.needs_keys import TABLES
from appliance.judge.sheet import Problem

TYPE = re.compile(r"[A-Z]{1,3}[A-Z0-9]{0,3}")
MESSAGES_MOST = 20
TITLES = {
    "": "The sheet",
    "line": "The line",
    "fix": "The fix",
    "time": "Time",
    "truth": "Whether it is true",
    "verdict": "The verdict",
    "sheet": "The commissioning sheet",
}
SHARE = "ratio"
"""The unit of a key whose value is a share of one; people write it in per cent."""
WORDS = {True: "yes", False: "no"}

Value = str | int | float | bool | list[str] | list[int | float | str]
Document = dict[str, object]


@dataclass(slots=True)
class Field:
    """name: in the form. value: as text. problem: what is wrong with it, or ""."""

    name: str
    key: Key
    value: str = ""
    problem: str = ""

    @property
    def label(self) -> str:
        """The key's meaning, as the beginning of a sentence."""
        return self.key.meaning[:1].upper() + self.key.meaning[1:]

    @property
    def unit(self) -> str:
        """What a number is counted in."""
        return self.shown.unit

    @property
    def shown(self) -> Key:
        """The key as the form has it: shares in per cent."""
        return _per_cent(self.key) if self.key.unit == SHARE else self.key

    @property
    def hint(self) -> str:
        """How it is filled in, and what holds where it is not."""
        key = self.shown
        if key.kind in ("texts", "wholes"):
            each = key.allowed_says.partition(",")[0] or f"Numbers from {key.least:g} to {key.most:g}"
            how = f"{each}, a space between"
        elif key.kind == "text":
            how = f"At most {key.most:g} characters"
        else:
            how = "" if self.choices else f"From {key.least:g} to {key.most:g}"
        holds = self.default_says
        empty = "Must be given" if key.required else f"Left out: {holds}"
        told = [how[:1].upper() + how[1:], "" if key.default == "" else empty]
        return " ".join(f"{part}." for part in told if part)

    @property
    def default_says(self) -> str:
        """What holds where it is left out, in the words that the page chooses by."""
        return WORDS[self.key.default] if isinstance(self.key.default, bool) else self.shown.default_says

    @property
    def choices(self) -> list[str]:
        """What may be chosen, where it is a few things."""
        if self.key.kind == "yes-no":
            return list(WORDS.values())
        return [str(choice) for choice in self.key.choices]


@dataclass(slots=True)
class Group:
    """The fields of a table. message: the type, where it is the table of one. problem: of the table itself."""

    title: str
    fields: list[Field] = field(default_factory=list)
    message: str = ""
    problem: str = ""


def groups(values: Mapping[str, str], problems: Iterable[Problem] = ()) -> list[Group]:
    """The form: every key of every table, a table of its own for each message in values."""
    found: dict[tuple[str, str], list[str]] = {}
    for problem in problems:
        found.setdefault((problem.table, problem.key), []).append(_says(problem, values))
    made = []
    for table in TABLES:
        for type_ in messages_in(values) if table.many else [""]:
            name = f"{table.head}.{type_}" if table.many else table.name
            fields = [
                Field(
                    called := f"{name}.{key.name}" if name else key.name,
                    key,
                    values.get(called, ""),
                    " ".join(found.get((name, key.name), [])),
                )
                for key in table.keys
            ]
            title = f"Message {type_}" if table.many else TITLES[table.name]
            made.append(Group(title, fields, type_, " ".join(found.get((name, ""), []))))
    return made


def messages_in(values: Mapping[str, str]) -> list[str]:
    """The types of message that have a field, in the order they came."""
    types = (name.split(".")[1] for name in values if name.startswith("message.") and name.count(".") == 2)
    return [type_ for type_ in dict.fromkeys(types) if TYPE.fullmatch(type_)][:MESSAGES_MOST]


def values_of(document: Mapping[str, object]) -> dict[str, str]:
    """The fields' values for a TOML document that is a sheet."""
    values: dict[str, str] = {}
    for name, value in _flat(document):
        if isinstance(value, bool):
            values[name] = WORDS[value]
        elif isinstance(value, list):
            values[name] = " ".join(str(item) for item in value)
        else:
            key = _key(name)
            number = value * 100 if key and key.unit == SHARE and isinstance(value, int | float) else value
            values[name] = f"{number:g}" if isinstance(number, float) else str(number)
    return values


def document(values: Mapping[str, str]) -> Document:
    """The TOML document of what was filled in; what was left empty is left out."""
    made: Document = {}
    for group in groups(values):
        table: Document = {}
        for one in group.fields:
            words = " ".join(one.value.split())
            if words:
                table[one.key.name] = _read(one.key, words)
        if group.message:
            messages = made.setdefault("message", {})
            assert isinstance(messages, dict)
            messages[group.message] = table
        elif table:
            head = group.fields[0].name.rpartition(".")[0]
            made |= {head: table} if head else table
    return made


def toml(made: Mapping[str, object]) -> str:
    """The document as TOML: a JSON text, number or list is one of TOML too."""
    rows = [f"{name} = {_written(value)}" for name, value in made.items() if not isinstance(value, Mapping)]
    for name, value in made.items():
        if isinstance(value, Mapping):
            tables = {f"{name}.{inner}": table for inner, table in value.items() if isinstance(table, Mapping)}
            for head, table in (tables or {name: value}).items():
                rows += ["", f"[{head}]", *(f"{key} = {_written(item)}" for key, item in table.items())]
    return "\n".join(rows) + "\n"


def _written(value: object) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _flat(document: Mapping[str, object], head: str = "") -> Iterable[tuple[str, object]]:
    for name, value in document.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{head}{name}.")
        else:
            yield f"{head}{name}", value


def _read(key: Key, words: str) -> Value:
    if key.kind == "yes-no":
        return {word: value for value, word in WORDS.items()}.get(words.lower(), words)
    if key.kind == "texts":
        return re.split(r"[,;\s]+", words.strip(" ,;"))
    if key.kind == "wholes":
        return [_number(word, whole=True) for word in re.split(r"[,;\s]+", words.strip(" ,;"))]
    if key.unit == SHARE:
        share = _number(words.removesuffix("%").rstrip(), whole=False)
        return words if isinstance(share, str) else round(share / 100, 12)
    if key.kind in ("whole", "number"):
        return _number(words, whole=key.kind == "whole")
    return words


def _per_cent(key: Key) -> Key:
    """A share as people write it."""
    assert key.least is not None
    assert key.most is not None
    default = None if key.default is None else key.default * 100
    return replace(key, unit="%", least=key.least * 100, most=key.most * 100, default=default)


def _key(name: str) -> Key | None:
    """That of a field's name."""
    head, _, last = name.rpartition(".")
    for table in TABLES:
        if head.startswith(f"{table.head}.") if table.many else head == table.name:
            return next((key for key in table.keys if key.name == last), None)
    return None


def _says(problem: Problem, values: Mapping[str, str]) -> str:
    """What is wrong, in the form's own terms."""
    found, allowed = problem.found, problem.allowed
    name = f"{problem.table}.{problem.key}"
    key, given = _key(name), values.get(name, "").removesuffix("%").rstrip()
    if key and key.unit == SHARE and allowed:
        found = found if isinstance(_number(given, whole=False), str) else f"{given} %"
        allowed = _per_cent(key).allowed
    says = f"Found {found}; allowed: {allowed}." if allowed else f"Found {found}."
    return f"{says} {problem.hint}".strip()


def _number(words: str, *, whole: bool) -> int | float | str:
    """A comma stands for a point, as many write it."""
    if not re.fullmatch(r"[+-]?\d{1,15}" if whole else r"[+-]?\d{1,15}([.,]\d{0,15})?|[.,]\d{1,15}", words):
        return words
    return int(words) if whole else float(words.replace(",", "."))
