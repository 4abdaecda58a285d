"""Keys of a sheet: each setting defined once, with all there is to know of it.

Reading, error messages, help, page and docs are all made from a Key, so they cannot disagree.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

Kind = Literal["text", "whole", "number", "yes-no", "texts", "wholes"]

PRACTICE = "common practice of the trade, no source"
CHOICE = "a choice of ours"

_KIND_WORDS: dict[str, str] = {
    "text": "text in quotes",
    "whole": "a whole number",
    "number": "a number",
    "yes-no": "true or false",
    "texts": "a list of texts in quotes",
    "wholes": "a list of whole numbers",
}
_ITEM_KIND: dict[str, Kind] = {"texts": "text", "wholes": "whole"}


@dataclass(slots=True, frozen=True)
class Key:
    """One setting. least and most bound a number, the length of a text, or each item of a list.

    default: what holds when the key is left out (None: nothing is asked or another rule applies, told by
    left_out). pattern: regular expression a text must match wholly, told by allowed_says.
    """

    name: str
    kind: Kind
    meaning: str
    source: str
    unit: str = ""
    default: Any = None
    required: bool = False
    least: float | None = None
    most: float | None = None
    choices: tuple[str | int, ...] = ()
    pattern: str = ""
    allowed_says: str = ""
    left_out: str = "not asked"

    @property
    def allowed(self) -> str:
        """What may be written, in words, with its unit."""
        words = _KIND_WORDS[self.kind]
        each = ", each " if self.kind in _ITEM_KIND else " "
        if self.allowed_says:
            return f"{words}: {self.allowed_says}"
        if self.choices:
            return f"{words}:{each.lstrip(',')}one of {', '.join(show(choice) for choice in self.choices)}{self._of}"
        if self.kind == "text":
            return f"{words}, {self.least or 0:g} to {self.most:g} characters" if self.most else words
        if self.least is not None and self.most is not None:
            return f"{words}{each}from {self.least:g} to {self.most:g}{self._of}"
        return words

    @property
    def _of(self) -> str:
        return f" {self.unit}" if self.unit not in ("", "ratio") else ""

    @property
    def default_says(self) -> str:
        """What holds when the key is left out, in words."""
        if self.required:
            return "must be given"
        return self.left_out if self.default in (None, ()) else f"{show(self.default)}{self._of}"

    def row(self, table: str, value: object) -> Row:
        """This key with a value, for people."""
        words = value if isinstance(value, str) else show(value)
        if value in (None, ()):
            words = self.left_out
        return Row(table, self.name, words, self.unit, self.allowed, self.default_says, self.meaning, self.source)


@dataclass(slots=True, frozen=True)
class Row:
    """One key as shown to people. value: in words; key and table as written in the sheet."""

    table: str
    key: str
    value: str
    unit: str
    allowed: str
    default: str
    meaning: str
    source: str


@dataclass(slots=True, frozen=True)
class Table:
    """One table of a sheet. name: "" for the top, "line", or "message.*" for any number of named tables.

    names: regular expression for the part that * stands for; names_say: the same in words; near: names to hint at.
    """

    name: str
    keys: tuple[Key, ...]
    names: str = ""
    names_say: str = ""
    near: tuple[str, ...] = ()

    @property
    def head(self) -> str:
        return self.name.removesuffix(".*")

    @property
    def many(self) -> bool:
        return self.name.endswith(".*")


def show(value: object) -> str:
    """A value as it would stand in a sheet, cut to a readable length."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):  # str() of an endless number is slow and then refused
        return str(value) if value.bit_length() < 64 else "a number beyond 64 bits"
    if isinstance(value, str):
        plain = "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in value[:61])
        return f'"{plain[:60]}{"…" if len(plain) > 60 else ""}"'
    if isinstance(value, list | tuple):
        nested = ["a list" if isinstance(item, list | tuple) else show(item) for item in value[:12]]
        return f"[{', '.join(nested)}{', …' if len(value) > 12 else ''}]"
    if isinstance(value, float):
        return f"{value:.10g}"
    return "a table" if isinstance(value, Mapping) else str(value)


def found(value: object) -> str:
    """A value with its kind, for "found ..."."""
    kinds = ((bool, "true or false"), (int, "whole number"), (float, "number"), (str, "text"))
    word = next((word for kind, word in kinds if isinstance(value, kind)), "")
    return f"{show(value)} ({word})" if word else show(value)


def wrong(key: Key, value: object) -> str:
    """What is wrong with the value, as words for "found ..."; empty if nothing is."""
    if key.kind not in _ITEM_KIND:
        return "" if _fits(key, key.kind, value) else found(value)
    if not isinstance(value, list | tuple):
        return found(value)
    bad = next((item for item in value if not _fits(key, _ITEM_KIND[key.kind], item)), None)
    return "" if bad is None else f"{found(bad)} in the list"


def _fits(key: Key, kind: Kind, value: object) -> bool:
    least, most = key.least, key.most
    size: float
    if kind == "yes-no":
        return isinstance(value, bool)
    if kind == "text":
        if not isinstance(value, str) or not value.isprintable():
            return False
        if key.pattern and not re.fullmatch(key.pattern, value):
            return False
        size = len(value)
    elif isinstance(value, bool) or not isinstance(value, int if kind == "whole" else (int, float)):
        return False
    else:
        size = value if isinstance(value, float) or value.bit_length() < 64 else math.inf
    if key.choices and value not in key.choices:
        return False
    return math.isfinite(size) and (least is None or size >= least) and (most is None or size <= most)


def convert(kind: Kind, value: Any) -> Any:
    if kind == "number":
        return float(value)
    return tuple(value) if kind in _ITEM_KIND else value
