"""What came in the span, oldest first: faults, those that belong together as one, and marks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from appliance.history.rows import FaultRow, MarkRow
from appliance.judge.names import NAMES
from appliance.judge.words import SAYS
from appliance.take.sheet.figures import Figures, lasting, warns
from appliance.take.utc import moment

SHOWN = 40
"""Faults and marks on the sheet; more are counted by kind. Our choice: a page of them."""
SPELL_NS = 10_000_000_000
"""Checks look back over ten seconds, so what follows within them may be the same event."""
ENDLESS_NS = 2**63

MARK_WORDS = {"button": "Mark, by the button", "page": "Mark, set on the page"}


@dataclass(slots=True, frozen=True)
class Event:
    """A fault or a mark. lasted: "" for a mark. hard: a reason for a no-go. typed: what somebody wrote to a mark."""

    when: str
    what: str
    lasted: str
    hard: bool
    typed: str = ""


def events(of: Figures) -> list[Event]:
    """Spells of faults, and marks, oldest first."""
    found = [(spell[0].start_ns, _spell(of, spell)) for spell in _spells(of.faults)]
    for mark in of.marks:
        found.append((mark.at_ns, _mark(of, mark)))
    return [event for _, event in sorted(found, key=lambda one: one[0])]


def _mark(of: Figures, mark: MarkRow) -> Event:
    """What the box notes is a sentence of its own."""
    text, typed = (mark.note, "") if mark.source == "box" else ("", mark.note)
    what = f"Mark: {text}" if text else "Mark:" if typed else MARK_WORDS.get(mark.source, "Mark")
    return Event(_when(of, mark.at_ns), what, "", hard=False, typed=typed)


def _spells(faults: list[FaultRow]) -> Iterator[list[FaultRow]]:
    """Faults that overlap, or follow on each other within SPELL_NS: most often one event seen by many checks."""
    spell: list[FaultRow] = []
    last_ns = 0
    for fault in faults:
        if spell and fault.start_ns > last_ns + SPELL_NS:
            yield spell
            spell = []
        last_ns = max(last_ns if spell else 0, ENDLESS_NS if fault.end_ns is None else fault.end_ns)
        spell.append(fault)
    if spell:
        yield spell


def _spell(of: Figures, spell: list[FaultRow]) -> Event:
    """Led by what its first check in the order of the words says: what lies nearest to the wire."""
    order = list(SAYS)
    leads = min(spell, key=lambda one: (warns(one.kind), order.index(one.kind) if one.kind in SAYS else len(order)))
    others = Counter(fault.kind for fault in spell if fault is not leads)
    told = _listed(others)
    ends = [fault.end_ns for fault in spell]
    known = [end_ns for end_ns in ends if end_ns is not None]
    lasted = lasting((max(known) - spell[0].start_ns) / 1e9) if len(known) == len(ends) else "on at the end"
    what = f"{leads.says} " + f"With it: {told}." if told else leads.says
    return Event(_when(of, spell[0].start_ns), what, lasted, hard=not all(warns(fault.kind) for fault in spell))


def _listed(kinds: Counter[str]) -> str:
    named = ((NAMES.get(kind, kind), count) for kind, count in kinds.most_common())
    return "; ".join(f"{name} ({count})" if count > 1 else name for name, count in named)


def _when(of: Figures, at_ns: int) -> str:
    same_day = moment(of.watch, of.span.from_ns).date() == moment(of.watch, of.span.to_ns).date()
    return f"{moment(of.watch, at_ns):{'%H:%M:%S' if same_day else '%Y-%m-%d %H:%M:%S'}}"


def counted(of: Figures, count: int) -> str:
    """How many faults of each kind there were, and how many of so many events are shown; "" without a fault."""
    kinds = Counter(fault.kind for fault in of.faults) + of.uncounted
    if not kinds:
        return ""
    all_ = _listed(kinds)
    first = f"The first {SHOWN} of {count} are shown. " if count > SHOWN else ""
    return first + f"All faults by kind: {all_}."
