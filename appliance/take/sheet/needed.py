"""Needed beside measured: a row for each thing that the needs ask, with what history knows of it.

History keeps measures of every second, and a fault for whatever did not pass. So a row is not met where one of its
kinds of fault was on in the span, and tells the worst figure of them; else what was measured, or that none was worse.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from appliance.history.rows import FaultRow
from appliance.judge.faults import SMALLER_IS_WORSE
from appliance.judge.names import NAMES
from appliance.judge.truth_words import TRUTH
from appliance.judge.words import SAYS, figure
from appliance.measure.fix import QUALITY_WORDS
from appliance.take.sheet.figures import Figures, lasting, warns

State = Literal["met", "not met", "look at", "not told"]
STATE_WORDS: dict[State, str] = {"met": "met", "not met": "NOT MET", "look at": "look at", "not told": "not told"}
RATE = ("message-missing", "rate-low", "rate-high")
SETTING = ("baud-wrong", "format-wrong", "polarity-inverted", "pins-crossed", "line-held-low", "binary", "two-talkers")
DAMAGE = ("checksum-bad", "checksum-missing", "sentence-damaged", "noise", "contact-loss")
BOX = ("port-lost", "tap-overrun", "settings-faulty")


@dataclass(slots=True, frozen=True)
class Row:
    """One thing that was needed."""

    what: str
    needed: str
    measured: str
    state: State


def rows(of: Figures) -> list[Row]:
    """All rows, in the order of the way from the wire to the fix."""
    return [*_line(of), *_messages(of), *_sentences(of), *_fix(of), *_rest(of)]


def _row(  # noqa: PLR0917
    of: Figures, what: str, needed: str, measured: str, kinds: tuple[str, ...], message: str | None = None
) -> Row:
    """measured: "" where nothing tells it."""
    found = [
        fault for kind in kinds for fault in of.by_kind.get(kind, ()) if message is None or fault.message == message
    ]
    state: State = "met" if measured else "not told"
    if found:
        state = "look at" if all(warns(fault.kind) for fault in found) else "not met"
        number = len(found)
        many = f"{number} faults" if number > 1 else "1 fault"
        measured = "; ".join(part for part in (measured, f"{many}: {_worst(found)}") if part)
    return Row(what, needed, measured or "not told", state)


def _worst(found: list[FaultRow]) -> str:
    """The worst figure of the first kind that was found, or what it said."""
    kind = found[0].kind
    name = NAMES.get(kind, kind)
    known = [fault.measured for fault in found if fault.kind == kind and fault.measured is not None]
    if kind not in SAYS or not known or not SAYS[kind].unit:
        return name
    worst = min(known) if kind in SMALLER_IS_WORSE else max(known)
    return f"{name}, {figure(worst, SAYS[kind])}"


def _line(of: Figures) -> Iterator[Row]:
    seconds, needs = of.seconds, of.needs
    heard = of.setting or ("as needed" if seconds.sentences else "")
    heard = heard if of.arrival_measured else ""  # text has no baud
    yield _row(of, "Setting of the line", f"{needs.baud} baud, 8N1", heard, SETTING)
    quiet = "none longer" if seconds.sentences and of.arrival_measured and "silent" not in of.by_kind else ""
    yield _row(of, "Longest pause of the line", _most(lasting(needs.silence_most_s)), quiet, ("silent",))
    load = ""
    if seconds.sentences and of.arrival_measured:
        mean, worst = seconds.load / seconds.count, seconds.most["load_ratio"]
        load = f"{mean * 100:.0f} % on average, {worst * 100:.0f} % in its fullest second"
    yield _row(of, "Load of the line", _most(f"{needs.load_most * 100:.0f} %"), load, ("load-high",))


def _messages(of: Figures) -> Iterator[Row]:
    types = of.seconds.types
    for type_, need in of.needs.messages.items():
        came = types[type_]
        mean = came / (of.seconds.count or 1)
        rate = f"{mean:.2f} Hz on average" if came else ""
        needed = f"{need.rate_hz:g} Hz ({need.rate_least_hz:g} to {need.rate_most_hz:g})"
        yield _row(of, f"{type_}, rate", needed, rate, RATE, type_)
        gaps = any(fault.message == type_ for fault in of.by_kind.get("gap", ()))
        none = "none longer" if came and not gaps else ""
        yield _row(of, f"{type_}, longest gap", _most(lasting(need.gap_most_s)), none, ("gap",), type_)


def _sentences(of: Figures) -> Iterator[Row]:
    seconds, needs = of.seconds, of.needs
    number, count = seconds.damaged, seconds.sentences + seconds.damaged
    share = f"{number} of {count}" if count else ""
    yield _row(of, "Damaged sentences", f"at most {needs.damaged_most} in any 10 s", share, DAMAGE)
    talkers = sorted({name[:-3] for name in seconds.messages})
    accepted = ", ".join(sorted(needs.talkers)) or "any"
    yield _row(of, "Talkers", accepted, ", ".join(talkers), ("talker-not-accepted",))
    most = _most(f"{needs.sentence_length_most} characters")
    yield _row(of, "Length of sentences", most, _no_worse(of, "sentence-long", "none longer"), ("sentence-long",))


def _fix(of: Figures) -> Iterator[Row]:
    seconds, needs = of.seconds, of.needs
    if needs.fix_required or needs.qualities:
        quality = ", ".join(map(str, sorted(needs.qualities)))
        accepted = f"quality {quality}" if quality else "a fix"
        yield _row(of, "Fix", accepted, _qualities(of), ("no-fix", "quality-not-accepted", "position-null"))
    for what, asked, name, unit, kind in (
        ("Age of corrections", needs.age_most_s, "age_s", " s", "age-high"),
        ("HDOP", needs.hdop_most, "hdop", "", "hdop-high"),
    ):
        if asked is not None:
            told = _most(f"{_number(seconds.most[name])}{unit}") if name in seconds.most else ""
            yield _row(of, what, _most(f"{asked:g}{unit}"), told, (kind,))
    if needs.satellites_least is not None:
        told = _least(f"{seconds.least['satellites']:g}") if "satellites" in seconds.least else ""
        yield _row(of, "Satellites", _least(needs.satellites_least), told, ("satellites-few",))
    if needs.decimals_least is not None:
        none = _no_worse(of, "decimals-few", "none fewer")
        yield _row(of, "Decimals of a minute", _least(needs.decimals_least), none, ("decimals-few",))
    if needs.date_required:
        dated = "comes" if seconds.types["RMC"] or seconds.types["ZDA"] else ""
        yield _row(of, "Date", "must come", "" if "date-missing" in of.by_kind else dated, ("date-missing",))


def _rest(of: Figures) -> Iterator[Row]:
    fine = "nothing found" if of.seconds.sentences else ""
    truth = tuple(kind for kind in TRUTH if kind not in ("late", "position-null"))
    late = f"within {lasting(of.needs.late_most_s)} of its time"
    yield _row(
        of, "Each sentence in time", late, _no_worse(of, "late", "none later" if of.arrival_measured else ""), ("late",)
    )
    yield _row(of, "Position, speed and clock agree", "no contradiction", _unless(of, truth, fine), truth)
    yield _row(of, "The box itself", "hears all", "" if of.given else _unless(of, BOX, fine), BOX)
    told = {*RATE, *SETTING, *DAMAGE, *BOX, *truth, "late", "gap", "silent", "load-high", "talker-not-accepted",
            "sentence-long", "no-fix", "quality-not-accepted", "position-null", "age-high", "hdop-high",
            "satellites-few", "decimals-few", "date-missing"}  # fmt: skip
    others = tuple(sorted(set(of.by_kind) - told))
    if others:  # of another version of the program
        yield _row(of, "Other checks", "nothing found", "", others)


def _no_worse(of: Figures, kind: str, words: str) -> str:
    return _unless(of, (kind,), words if of.seconds.sentences else "")


def _unless(of: Figures, kinds: tuple[str, ...], words: str) -> str:
    return "" if any(kind in of.by_kind for kind in kinds) else words


def _qualities(of: Figures) -> str:
    told = {number: count for number, count in of.seconds.qualities.items() if number is not None}
    total = of.seconds.count
    return ", ".join(
        f"{QUALITY_WORDS.get(number, '?')} ({number}) {_share(count / total)}"
        for number, count in sorted(told.items(), key=lambda item: -item[1])
    )


def _most(needed: str) -> str:
    return f"at most {needed}"


def _least(needed: int | str) -> str:
    return f"at least {needed}"


def _share(ratio: float) -> str:
    if ratio in (0, 1):
        return f"{ratio * 100:.0f} %"
    return "under 0.1 %" if ratio < 0.001 else f"{min(ratio, 0.999) * 100:.1f} %"


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
