"""Needs: the sheet that says what the connected controller requires, read from TOML.

Every number of a sheet is defined once, in needs_keys, with its unit, default, range, meaning and source. A key left
out is not asked of the line, except where its definition names a default.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from appliance.judge.key import Row, show
from appliance.judge.needs_keys import INTERVALS_IN_GAP, TABLES
from appliance.judge.sheet import Problem, Reading, SheetError, read_document, read_file, read_text
from appliance.measure.load import BITS_A_BYTE

DEFAULT = "rate-section"

# Characters of a long sentence of each type, CR LF counted, coordinates with 8 decimals of a minute. GGA, RMC, VTG,
# ZDA: survey-class receivers; GLL, GST: ship log of NOAA PSL's ATOMIC 2020; GSA, GSV, HDT: counted from the layout.
LENGTH_AT_8_DECIMALS = {
    "GGA": 92, "VTG": 47, "RMC": 87, "ZDA": 38, "GLL": 58, "GST": 58, "GSA": 68, "GSV": 72, "HDT": 20,
}  # fmt: skip
WITH_POSITION = frozenset({"GGA", "RMC", "GLL"})  # two characters shorter for each decimal less
SHORTEST_AT_8_DECIMALS = {"GGA": 85, "RMC": 84}  # counted from the layout: the types that outgrow 82 characters
DECIMALS_USUAL = 4  # taken where a sheet asks for none; common practice, no source


@dataclass(slots=True, frozen=True)
class MessageNeed:
    """What is asked of one sentence type. rate_low, rate_high: tolerance below and above, as shares of rate_hz."""

    type: str
    rate_hz: float
    rate_low: float
    rate_high: float
    gap_most_s: float

    @property
    def rate_least_hz(self) -> float:
        return self.rate_hz * (1 - self.rate_low)

    @property
    def rate_most_hz(self) -> float:
        return self.rate_hz * (1 + self.rate_high)


@dataclass(slots=True, frozen=True)
class Needs:
    """What the controller requires. None, or an empty set, means not asked (talkers, qualities: any).

    load_most: ratio, 1 = the whole line. sentence_length_most: characters, CR LF counted. damaged_most: damaged
    sentences tolerated in any 10 s. qualities: GGA quality numbers. decimals_least: of a minute of arc.
    clean_run_s: how long every check must pass before a go; sheet_clean_least_s: before a commissioning sheet is given.
    """

    name: str
    title: str
    says: str
    baud: int
    load_most: float
    checksum_required: bool
    sentence_length_most: int
    talkers: frozenset[str]
    damaged_most: int
    silence_most_s: float
    messages: dict[str, MessageNeed]
    fix_required: bool
    qualities: frozenset[int]
    age_most_s: float | None
    satellites_least: int | None
    hdop_most: float | None
    decimals_least: int | None
    date_required: bool
    late_most_s: float
    truth_motion: bool
    truth_clock: bool
    truth_fix: bool
    clean_run_s: float
    sheet_clean_least_s: float


def load(name_or_path: str | Path, folders: Iterable[Path] = ()) -> Needs:
    """The needs of a sheet given by path, or by name: the user's folders are looked in first, then the shipped ones.

    A path is a Path, or text that holds "/" or ends in ".toml". Raises SheetError.
    """
    name, file, words = _source(name_or_path, folders)
    return from_toml(words, name, file)


def text(name_or_path: str | Path, folders: Iterable[Path] = ()) -> str:
    """The TOML text of a sheet, found as load finds it, whether or not it is right: to copy, keep or edit."""
    return _source(name_or_path, folders)[2]


def from_toml(words: str, name: str, file: str = "") -> Needs:
    """The needs written in TOML text. file: what errors shall call it. Raises SheetError."""
    return _build(read_text(words, TABLES, file or name), name)


def from_document(document: Mapping[str, object], name: str, file: str = "") -> Needs:
    """The needs in a TOML document already taken apart. Raises SheetError."""
    return _build(read_document(document, TABLES, file or name), name)


@dataclass(slots=True, frozen=True)
class Listed:
    """A sheet there is. where: "shipped" or its folder; says: as in the sheet; problem: why it cannot be used."""

    name: str
    title: str
    says: str
    where: str
    problem: str = ""


def shipped() -> list[str]:
    """Names of the sheets that come with the package, the default one first."""
    folder = resources.files("appliance.judge") / "sheets"
    names = (entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))
    return sorted(names, key=lambda name: (name != DEFAULT, name))


def list_all(folders: Iterable[Path] = ()) -> list[Listed]:
    """Every sheet that can be asked for by name, the user's own first. A bad one is listed with its problem."""
    own = [(path.stem, path) for folder in folders for path in _sheets_in(folder)]
    places: dict[str, Path | None] = {}
    for name, path in [*own, *((name, None) for name in shipped())]:
        places.setdefault(name, path)
    return [_listed(name, path) for name, path in places.items()]


def explain(needs: Needs) -> list[Row]:
    """Every key of the sheet with what it is for these needs, in the order of the table of keys."""
    rows = []
    for table in TABLES:
        for name in needs.messages if table.many else [""]:
            for key in table.keys:
                owner = needs.messages[name] if name else needs
                value = getattr(owner, _FIELD.get((table.name, key.name), key.name))
                value = tuple(sorted(value)) if isinstance(value, frozenset) else value
                rows.append(key.row(f"{table.head}.{name}" if name else table.name, value))
    return rows


_FIELD = {("fix", "required"): "fix_required", ("sheet", "clean_least_s"): "sheet_clean_least_s"} | {
    ("truth", name): f"truth_{name}" for name in ("motion", "clock", "fix")
}  # where a field of Needs is not called as its key


def load_ratio(needs: Needs) -> float:
    """Mean share of the line's capacity that the messages named fill at their own rates; others are not known."""
    characters = sum(message.rate_hz * sentence_length(needs, type) for type, message in needs.messages.items())
    return characters * BITS_A_BYTE / needs.baud


def sentence_length(needs: Needs, type: str) -> int:
    """Characters of a long sentence of this type with the decimals asked for; 0 for a type not in the table."""
    decimals = DECIMALS_USUAL if needs.decimals_least is None else needs.decimals_least
    fewer = 2 * (8 - decimals) if type in WITH_POSITION else 0
    return LENGTH_AT_8_DECIMALS.get(type, fewer) - fewer


def warnings(needs: Needs) -> list[str]:
    """Plain sentences on what in a sheet is allowed but can hardly be meant: asks that work against each other."""
    says = []
    ratio = load_ratio(needs)
    if ratio > needs.load_most:
        says.append(
            f"The messages named fill about {ratio:.0%} of a line at {needs.baud} baud; "
            f"load_most allows {needs.load_most:.0%}."
        )
    if needs.messages:
        burst_s = sum(sentence_length(needs, type) for type in needs.messages) * BITS_A_BYTE / needs.baud
        interval_s = 1 / max(message.rate_hz for message in needs.messages.values())
        if burst_s > interval_s:
            says.append(
                f"One of each message takes about {burst_s * 1000:.0f} ms at {needs.baud} baud, "
                f"longer than the shortest interval of {interval_s * 1000:.0f} ms."
            )
        if needs.silence_most_s < interval_s:
            says.append(
                f"silence_most_s is {needs.silence_most_s:g} s, shorter than the shortest interval of {interval_s:g} s."
            )
    for type in needs.messages.keys() & SHORTEST_AT_8_DECIMALS.keys() if needs.decimals_least else ():
        shortest = SHORTEST_AT_8_DECIMALS[type] - 2 * (8 - (needs.decimals_least or 0))
        if shortest > needs.sentence_length_most:
            says.append(
                f"{type} with {needs.decimals_least} decimals has {shortest} characters or more; "
                f"sentence_length_most allows {needs.sentence_length_most}."
            )
    says += [f"{what} is asked, but no message that tells it ({' or '.join(types)}) is named."
             for what, asked, types in _tellers(needs) if asked and not needs.messages.keys() & set(types)]  # fmt: skip
    return says


def _tellers(needs: Needs) -> tuple[tuple[str, bool, tuple[str, ...]], ...]:
    """What is asked, whether it is, and the types that tell it."""
    return (
        ("A fix", needs.fix_required, ("GGA", "RMC", "GLL")),
        ("The quality", bool(needs.qualities), ("GGA",)),
        ("The age of corrections", needs.age_most_s is not None, ("GGA",)),
        ("The number of satellites", needs.satellites_least is not None, ("GGA",)),
        ("HDOP", needs.hdop_most is not None, ("GGA", "GSA")),
        ("A number of decimals", needs.decimals_least is not None, ("GGA", "RMC", "GLL")),
        ("A date", needs.date_required, ("RMC", "ZDA")),
    )


def _source(name_or_path: str | Path, folders: Iterable[Path]) -> tuple[str, str, str]:
    """Name, what to call the file in errors, and text of a sheet."""
    asked = str(name_or_path)
    if isinstance(name_or_path, Path) or "/" in asked or asked.endswith(".toml"):
        return Path(asked).stem, asked, read_file(Path(asked))
    own = {path.stem: path for folder in reversed(list(folders)) for path in _sheets_in(folder)}
    if asked in own:
        return asked, str(own[asked]), read_file(own[asked])
    if asked in shipped():
        sheet = resources.files("appliance.judge") / "sheets" / f"{asked}.toml"
        return asked, f"{asked}.toml", sheet.read_text("utf-8")
    names = list(dict.fromkeys([*own, *shipped()]))
    near = difflib.get_close_matches(asked[:100], names, n=1)
    hint = f"Did you mean {near[0]}?" if near else ""
    allowed = f"{', '.join(names)}, or a path"
    raise SheetError([Problem("needs", "", "", f"no sheet called {show(asked)}", allowed, hint=hint)])


def _sheets_in(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.suffix == ".toml")
    except OSError:  # no such folder: nobody has added a sheet
        return []


def _listed(name: str, path: Path | None) -> Listed:
    where = str(path.parent) if path else "shipped"
    try:
        needs = load(path or name)
    except SheetError as error:
        return Listed(name, "", "", where, str(error))
    return Listed(name, needs.title, needs.says, where)


def _build(reading: Reading, name: str) -> Needs:
    """Needs from what was read. Raises SheetError with every problem, those between keys included."""
    values = reading.values
    messages = {type: _message(reading, type, read) for type, read in values["message"].items()}
    silence_most_s = values["line"].pop("silence_most_s")
    silence = ("line", "silence_most_s")
    if silence_most_s is None and not messages and not (reading.spoilt(silence) or reading.spoilt_in("message")):
        reading.add(silence, "nothing, and no message is named", "a number of seconds")
    reading.done()
    fix = values["fix"]
    return Needs(
        name=name,
        title=values[""]["title"],
        says=values[""]["says"],
        baud=values["line"]["baud"],
        load_most=values["line"]["load_most"],
        checksum_required=values["line"]["checksum_required"],
        sentence_length_most=values["line"]["sentence_length_most"],
        talkers=frozenset(values["line"]["talkers"]),
        damaged_most=values["line"]["damaged_most"],
        silence_most_s=silence_most_s or min(message.gap_most_s for message in messages.values()),
        messages=messages,
        fix_required=fix["required"],
        qualities=frozenset(fix["qualities"]),
        age_most_s=fix["age_most_s"] or None,
        satellites_least=fix["satellites_least"] or None,
        hdop_most=fix["hdop_most"] or None,
        decimals_least=fix["decimals_least"] or None,
        date_required=values["time"]["date_required"],
        late_most_s=values["time"]["late_most_s"],
        truth_motion=values["truth"]["motion"],
        truth_clock=values["truth"]["clock"],
        truth_fix=values["truth"]["fix"],
        clean_run_s=values["verdict"]["clean_run_s"],
        sheet_clean_least_s=values["sheet"]["clean_least_s"],
    )


def _message(reading: Reading, type: str, read: Mapping[str, Any]) -> MessageNeed:
    rate_hz = read["rate_hz"] or 1.0  # without a right rate the reading has a problem and the value is not used
    gap_most_s = read["gap_most_s"] or INTERVALS_IN_GAP / rate_hz
    if read["rate_hz"] and gap_most_s * rate_hz < 1:
        allowed = f"at least one interval of rate_hz, {1 / rate_hz:g} s"
        reading.add(("message", type, "gap_most_s"), f"{gap_most_s:g} (number)", allowed)
    return MessageNeed(type, rate_hz, read["rate_low"], read["rate_high"], gap_most_s)
