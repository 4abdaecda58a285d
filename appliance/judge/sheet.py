"""Sheets: TOML documents read against a table of keys in which each key is defined once.

Reading never stops at the first mistake: all are collected, since whoever edits a sheet in a cab wants
to mend it in one go.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from appliance.judge.key import Table, convert, found, show, wrong

KeyPath = tuple[str, ...]

SIZE_MOST = 65_536  # bytes of a sheet; a choice of ours, far above any honest sheet
_NAME = r"""(?:[\w-]+|"[^"]*"|'[^']*')"""
_KEY_ROW = re.compile(rf"\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*=")
_TABLE_ROW = re.compile(rf"\s*\[\[?\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*\]")
_TOML_PLACE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")


@dataclass(slots=True, frozen=True)
class Problem:
    """One thing wrong in a sheet: where, what was found, what is allowed. row counts from 1; None: not known."""

    file: str
    table: str
    key: str
    found: str
    allowed: str
    row: int | None = None
    hint: str = ""

    @property
    def where(self) -> str:
        return " ".join(part for part in (f"[{self.table}]" if self.table else "", self.key) if part)

    def __str__(self) -> str:
        place = f"{self.file}, row {self.row}" if self.row else self.file
        where = f"{self.where}: " if self.where else ""
        allowed = f"; allowed: {self.allowed}" if self.allowed else ""
        return f"{place}: {where}found {self.found}{allowed}.{' ' + self.hint if self.hint else ''}"


class SheetError(ValueError):
    """A sheet cannot be used. problems: everything wrong with it, at least one."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


@dataclass(slots=True)
class Reading:
    """What came of reading a sheet: values by table and key, and the problems met.

    values["line"]["baud"] for a plain table; values["message"]["GGA"]["rate_hz"] for a table of many; top keys
    are in values[""]. A key with a problem holds its default.
    """

    file: str
    rows: Mapping[KeyPath, int]
    values: dict[str, dict[str, Any]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def add(self, path: KeyPath, found: str, allowed: str, hint: str = "", table: bool = False) -> None:
        """Note a problem at a key, or at a table where table is true."""
        row = next((self.rows[path[:n]] for n in range(len(path), 0, -1) if path[:n] in self.rows), None)
        names = [name if re.fullmatch(r"[\w-]{1,60}", name) else show(name) for name in path]
        head, key = (names, "") if table else (names[:-1], names[-1])
        self.problems.append(Problem(self.file, ".".join(head), key, found, allowed, row, hint))

    def spoilt(self, path: KeyPath) -> bool:
        """Whether a problem was found at this key, so that its value is only the default."""
        return any((problem.table, problem.key) == (".".join(path[:-1]), path[-1]) for problem in self.problems)

    def spoilt_in(self, head: str) -> bool:
        """Whether a problem was found in a table of this head, or with the table itself."""
        return any(head in (problem.table.partition(".")[0], problem.where) for problem in self.problems)

    def done(self) -> None:
        """Raise SheetError if there is any problem, in the order of the rows."""
        if self.problems:
            raise SheetError(sorted(self.problems, key=lambda problem: problem.row or SIZE_MOST))


def read_file(path: Path) -> str:
    """The text of a sheet's file. Raises SheetError when it cannot be read, is too big or is not UTF-8."""
    try:
        with path.open("rb") as file:
            data = file.read(SIZE_MOST + 1)
        if len(data) > SIZE_MOST:
            raise SheetError([Problem(str(path), "", "", "a longer file", f"at most {SIZE_MOST} bytes")])
        return data.decode("utf-8-sig")  # some editors put a mark before the first character
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        raise SheetError([Problem(str(path), "", "", "bytes that are not text", "UTF-8 text", row)]) from None
    except OSError as error:
        why = error.strerror or type(error).__name__
        raise SheetError([Problem(str(path), "", "", f"no readable file ({why})", "a TOML file")]) from None


def read_text(text: str, tables: tuple[Table, ...], file: str) -> Reading:
    """Read TOML text. Raises SheetError only if it is not TOML at all; other problems are in the reading."""
    try:
        document = tomllib.loads(text)
    except RecursionError:
        raise SheetError([Problem(file, "", "", "lists or tables nested too deeply", "a TOML file")]) from None
    except ValueError as error:  # TOMLDecodeError, or a number of more digits than Python will read
        says, place = str(error), _TOML_PLACE.search(str(error))
        row = int(place[1]) if place and place[1] else (text.count("\n") + 1 if place else None)
        says = says[: place.start()] if place else says
        raise SheetError([Problem(file, "", "", f"a mistake in TOML: {says}", "", row)]) from None
    return read_document(document, tables, file, rows_of(text))


def read_document(
    document: Mapping[str, object],
    tables: tuple[Table, ...],
    file: str,
    rows: Mapping[KeyPath, int] | None = None,
) -> Reading:
    """Read a TOML document already taken apart. Never raises; problems are in the reading."""
    reading = Reading(file, rows or {})
    heads = {table.head: table for table in tables if table.head}
    top = next((table for table in tables if not table.head), Table("", ()))
    own = {name: value for name, value in document.items() if name not in heads}
    reading.values[""] = _read_table(reading, (), own, top, also=tuple(f"[{head}]" for head in heads))
    for head, table in heads.items():
        value = document.get(head, {})
        if not isinstance(value, Mapping):
            reading.add((head,), found(value), f"a table, [{table.name}]")
            value = {}
        read = _read_many if table.many else _read_table
        reading.values[head] = read(reading, (head,), value, table)
    return reading


def _read_many(
    reading: Reading, path: KeyPath, document: Mapping[str, object], table: Table
) -> dict[str, dict[str, Any]]:
    values = {}
    for name, value in document.items():
        here = (*path, name)
        if not isinstance(value, Mapping):
            reading.add(here, found(value), f"a table, [{table.name}], where * is {table.names_say}")
        elif not re.fullmatch(table.names, name):
            near = difflib.get_close_matches(name[:100], table.near, n=1)
            near += [name.upper()] if re.fullmatch(table.names, name.upper()) else []
            hint = f"Did you mean [{table.head}.{near[0]}]?" if near else ""
            reading.add(here, f"the name {show(name)}", table.names_say, hint, table=True)
        else:
            values[name] = _read_table(reading, here, value, table)
    return values


def _read_table(
    reading: Reading, path: KeyPath, document: Mapping[str, object], table: Table, also: tuple[str, ...] = ()
) -> dict[str, Any]:
    names = [key.name for key in table.keys]
    for name, value in document.items():
        if name not in names:
            known = {other.strip("[]"): other for other in (*names, *also)}
            near = difflib.get_close_matches(name.lower()[:100], known, n=1)
            hint = f"Did you mean {known[near[0]]}?" if near else ""
            reading.add(
                (*path, name), "a name that is not known", ", ".join(known.values()), hint, isinstance(value, Mapping)
            )
    values = {}
    for key in table.keys:
        values[key.name] = key.default
        if key.name in document:
            value = document[key.name]
            if says := wrong(key, value):
                reading.add((*path, key.name), says, key.allowed)
            else:
                values[key.name] = convert(key.kind, value)
        elif key.required:
            reading.add((*path, key.name), "nothing", f"{key.allowed} (it must be given)")
    return values


def rows_of(text: str) -> dict[KeyPath, int]:
    """On which row, from 1, each key and table of a TOML text first stands, as far as a look at the rows tells."""
    rows: dict[KeyPath, int] = {}
    table: KeyPath = ()
    inside = ""
    for row, words in enumerate(text.splitlines(), 1):
        if not inside:
            if head := _TABLE_ROW.match(words):
                table = _split(head[1])
                rows.setdefault(table, row)
            elif key := _KEY_ROW.match(words):
                rows.setdefault((*table, *_split(key[1])), row)
        for quotes in ('"""', "'''"):  # rows within a text of many rows are no keys
            if inside in ("", quotes) and words.count(quotes) % 2:
                inside = "" if inside else quotes
    return rows


def _split(path: str) -> KeyPath:
    return tuple(re.sub(r"^[\"']|[\"']$", "", part) for part in re.findall(_NAME, path))
