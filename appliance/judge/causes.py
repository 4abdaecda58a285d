"""From findings to likely causes: the table of causes, and how they are ranked.

The table (`causes.toml`) is data. Each cause has a prior and evidence for and against it, both as natural log-odds: 1
hints, 2 speaks for it, 4 speaks strongly, 6 and more all but names it; below zero the same against. All evidence that
holds is added up, as Bayes' rule does for what is independent; so each row of evidence speaks once, however many
findings it rests on. A cause's weight is its share against "something else", which stands at 0, and the causes that
explain some of the same findings: a feed may have two troubles at once, and these do not compete. The numbers are
judgement, tuned on the bench of causes; where a row comes from is said in it.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any

from appliance.judge.truth_words import Says
from appliance.judge.words import SAYS, duration, figure, found_and_advice

SHOWN_MOST = 3
SHARE_LEAST = 0.03
"""A cause with a smaller share is not worth a technician's minute. Our choice."""
HINT = 1.0
"""Evidence that is no more than this makes no suspect by itself. Our choice."""
_REASONS_MOST = 3

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


@dataclass(slots=True)
class Finding:
    """A check that failed or warned, over all the times it did so.

    measured, needed, note, says: of its worst. lasting: whether it does so still.
    """

    id: str
    message: str
    times: int
    lasting: bool
    measured: float | None
    needed: float | None
    note: str
    says: str


@dataclass(slots=True)
class Known:
    """All that a ranking goes by. facts: by the names of FACTS; one that is not known is left out."""

    findings: Sequence[Finding]
    facts: Mapping[str, float | str] = field(default_factory=dict)


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


@dataclass(slots=True)
class Suspect:
    """A cause that is likely. weight: its share, 0 to 1. because: reasons with their figures; against: what speaks
    against it; first: what to try first."""

    cause: Cause
    weight: float
    because: list[str]
    against: list[str]
    first: str

    @property
    def because_says(self) -> str:
        """What it rests on, in one or two sentences."""
        reasons = "; ".join(self.because)
        against = f" Against it: {'; '.join(self.against)}." if self.against else ""
        return f"{reasons[:1].upper()}{reasons[1:]}.{against}"


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


def rank(known: Known, causes: Sequence[Cause] | None = None, *, about: str = "") -> list[Suspect]:
    """The likely causes, the likeliest first; where two are as likely, the one that costs less time. At most three.

    about: only such as explain findings of this check.
    """
    causes = table() if causes is None else causes
    ids = {finding.id for finding in known.findings}
    weighed = [(cause, _weigh(cause, known, ids)) for cause in causes]
    suspected = [(cause, held) for cause, held in weighed if any(one.weight > HINT for one, _ in held)]
    if about:
        suspected = [(cause, held) for cause, held in suspected if about in _explained(held)]
    scores = [cause.prior + sum(one.weight for one, _ in held) for cause, held in suspected]
    explained = [_explained(held) for _, held in suspected]
    suspects = []
    for (cause, held), score, own in zip(suspected, scores, explained, strict=True):
        rivals = [rival for rival, theirs in zip(scores, explained, strict=True) if _compete(own, theirs)]
        weight = 1 / (math.exp(-score) + sum(math.exp(rival - score) for rival in rivals))
        suspects.append(_suspect(cause, weight, held, known))
    likely = [one for one in suspects if one.weight >= SHARE_LEAST]
    return sorted(likely, key=lambda one: (-round(one.weight, 3), one.cause.minutes))[:SHOWN_MOST]


Held = list[tuple[Evidence, list[Finding]]]


def _explained(held: Held) -> set[str]:
    """The findings that speak for a cause; none where only facts do."""
    return {finding.id for one, findings in held if one.weight > 0 for finding in findings}


def _compete(own: set[str], others: set[str]) -> bool:
    """Whether two causes explain some of the same; one that rests on facts alone competes with each."""
    return not own or not others or not own.isdisjoint(others)


def _weigh(cause: Cause, known: Known, ids: set[str]) -> Held:
    """The evidence that holds, the weightiest first, each with the findings it rests on."""
    held = []
    for one in cause.evidence:
        if not ids.isdisjoint(one.without) or not _facts_hold(one, known.facts):
            continue
        findings = [finding for finding in known.findings if finding.id in one.found and _fits(one, finding)]
        if findings or not one.found:
            held.append((one, findings))
    return sorted(held, key=lambda row: -abs(row[0].weight))


def _facts_hold(one: Evidence, facts: Mapping[str, float | str]) -> bool:
    for name, span in one.facts.items():
        value = facts.get(name)
        if not isinstance(value, int | float) or not span[0] <= value <= span[1]:
            return False
    return True


def _fits(one: Evidence, finding: Finding) -> bool:
    ratio = finding.measured / finding.needed if finding.measured is not None and finding.needed else None
    return (
        (not one.messages or finding.message in one.messages)
        and (not one.notes or any(note in finding.note for note in one.notes))
        and _within(one.measured, finding.measured)
        and _within(one.ratio, ratio)
        and _within(one.times, finding.times)
        and one.lasting in (None, finding.lasting)
    )


def _within(span: tuple[float, float] | None, value: float | None) -> bool:
    return span is None or (value is not None and span[0] <= value <= span[1])


def _suspect(cause: Cause, weight: float, held: Held, known: Known) -> Suspect:
    told = [_reason(one, findings, known) for one, findings in held if one.weight > 0]
    against = [_reason(one, findings, known) for one, findings in held if one.weight < 0]
    return Suspect(
        cause, weight, [*dict.fromkeys(told)][:_REASONS_MOST], [*dict.fromkeys(one for one in against if one)],
        cause.first.format_map(_told(known.facts)),
    )  # fmt: skip


def _reason(one: Evidence, findings: Sequence[Finding], known: Known) -> str:
    values = _told(known.facts)
    if not findings:
        return one.because.format_map(values)
    first = findings[0]
    says = SAYS[first.id]
    messages = dict.fromkeys(finding.message for finding in findings if finding.message)
    values |= {
        "message": " and ".join(messages),
        "m": figure(first.measured, says),
        "n": figure(first.needed, says),
        "note": first.note,
        "times": _times(sum(finding.times for finding in findings)),
    }
    if one.because:
        return one.because.format_map(values)
    also = f" ({values['times']} in all)" if first.times > 1 else ""
    return f"{found_and_advice(first.says)[0].rstrip('.')}{also}"


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"


_UNITS = {"load_worst": "%", "load_wanted": "%", "errored_share": "%", "cut_share": "%"}
_DURATIONS = frozenset({"heard", "clean", "fixed_s"})


def _told(facts: Mapping[str, float | str]) -> dict[str, str]:
    """The facts as words."""
    return {name: _word(name, facts.get(name)) for name in FACTS}


def _word(name: str, value: float | str | None) -> str:
    if value is None:
        return "not known"
    if isinstance(value, str):
        return value
    if name in _DURATIONS:
        return duration(value)
    if name in _UNITS:
        return figure(value, Says(_UNITS[name], 0, "", "", ""))
    return f"{value:,.0f}"
