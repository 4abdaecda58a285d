"""From findings to likely causes: how the rows of the table of causes are weighed and ranked.

The table (`causes.toml`, read by causes_table.py) is data. Each cause has a prior and evidence for and against it, both
as natural log-odds: 1 hints, 2 speaks for it, 4 speaks strongly, 6 and more all but names it; below zero the same
against. All evidence that holds is added up, as Bayes' rule does for what is independent; so each row of evidence
speaks once, however many findings it rests on. A cause's weight is its share against "something else", which stands at
0, and the causes that explain some of the same findings: a feed may have two troubles at once, and these do not
compete. The numbers are judgement, tuned on the bench of causes; where a row comes from is said in it. Where nothing on
a line tells two causes apart, what speaks for them weighs alike, so that neither is said with more belief than it
earns, and the words say so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from appliance.judge.causes_table import FACTS, Cause, Evidence, table
from appliance.judge.truth_words import Says
from appliance.judge.words import SAYS, duration, figure, found_and_advice

SHOWN_MOST = 3
SHARE_LEAST = 0.03
"""A cause with a smaller share is not worth a technician's minute. Our choice."""
HINT = 1.0
"""Evidence that is no more than this makes no suspect by itself. Our choice."""
ALIKE_SHARE = 0.4
"""Another cause of the same findings with so large a part of its weight can hardly be told from it. Our choice."""
HARDLY_TOLD = "This line alone can hardly tell it from another cause: {others}"
_REASONS_MOST = 3


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


@dataclass(slots=True)
class Suspect:
    """A cause that is likely. weight: its share, 0 to 1. because: reasons with their figures; against: what speaks
    against it; first: what to try first. alike: causes of those shown from which it can hardly be told."""

    cause: Cause
    weight: float
    because: list[str]
    against: list[str]
    first: str
    alike: list[Cause] = field(default_factory=list)

    @property
    def because_says(self) -> str:
        """What it rests on, in one or two sentences."""
        reasons = "; ".join(self.because)
        against = f" Against it: {'; '.join(self.against)}." if self.against else ""
        others = " ".join(one.says for one in self.alike)
        alike = f" {HARDLY_TOLD.format(others=others)}" if others else ""
        return f"{reasons[:1].upper()}{reasons[1:]}.{against}{alike}"


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
    likely: list[tuple[Suspect, set[str]]] = []
    for (cause, held), score, own in zip(suspected, scores, explained, strict=True):
        rivals = [rival for rival, theirs in zip(scores, explained, strict=True) if _compete(own, theirs)]
        weight = 1 / (math.exp(-score) + sum(math.exp(rival - score) for rival in rivals))
        if weight >= SHARE_LEAST:
            likely.append((_suspect(cause, weight, held, known), own))
    likely.sort(key=lambda one: (-round(one[0].weight, 3), one[0].cause.minutes))
    return _hardly_told(_covering(likely))


def _covering(likely: Sequence[tuple[Suspect, set[str]]]) -> list[tuple[Suspect, set[str]]]:
    """The most that are shown, in their order: the likeliest, and before a rival of it those that explain what is not
    explained by then, so that of two troubles both show."""
    shown, explained = set[int](), set[str]()
    for only_new in (True, False):
        for at, (_, own) in enumerate(likely):
            if len(shown) < SHOWN_MOST and at not in shown and not (only_new and shown and own <= explained):
                shown.add(at)
                explained |= own
    return [likely[at] for at in sorted(shown)]


def _hardly_told(shown: Sequence[tuple[Suspect, set[str]]]) -> list[Suspect]:
    for one, own in shown:
        one.alike = [
            other.cause
            for other, theirs in shown
            if other is not one and other.weight >= ALIKE_SHARE * one.weight and _compete(own, theirs)
        ]
    return [one for one, _ in shown]


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
