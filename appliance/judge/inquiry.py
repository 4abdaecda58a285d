"""What a watch knows when causes are asked: its findings put together, and the facts that its meters tell.

A finding counts while it lasts; one that is over counts for a minute, so that what comes and goes is seen together, and
where nothing is wrong by now, for ten. Of a recording all count.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from appliance.judge.causes import Finding, Known, Suspect, rank
from appliance.judge.check import Check
from appliance.judge.faults import Fault
from appliance.judge.needs import Needs
from appliance.judge.needs_keys import BAUDS
from appliance.judge.words import SAYS
from appliance.measure.errors import NO_START
from appliance.measure.load import BITS_A_BYTE
from appliance.measure.message import Message
from appliance.measure.meter import LineMeter

NOW_NS = 60_000_000_000
LATELY_NS = 600_000_000_000
"""How long a finding that is over counts: where something else is wrong now, and where nothing is. Our choice."""
AGAIN_NS = 2_000_000_000
"""Causes are asked again when the failing checks change, or after so long, since figures grow. Our choice."""
_RESTART_NS = (-1_000_000_000, 15_000_000_000)
"""A receiver that comes back without a fix so long after a silence began anew in it. Our choice: its first sentences
come at once, or after some seconds of starting."""
_BETTER = {0: 0, 6: 1, 7: 0, 8: 0, 1: 2, 3: 3, 2: 3, 9: 4, 5: 4, 4: 5}
"""Qualities of GGA by how good the fix is. Common practice, no source; the number alone proves nothing."""
SUMS_MOST = 12
"""Kinds of messages that a sentence adds up: more than a usual set has, and no more than anybody reads. Ours."""
DATED = frozenset({"RMC", "ZDA"})
_RANK = {id_: rank for rank, id_ in enumerate(SAYS)}


class Inquiry:
    """Follows the findings of one watch; asked, it gives the likely causes. lately: forget what is long over."""

    def __init__(self, *, lately: bool = True) -> None:
        self._lately = lately
        self._faults: list[tuple[Fault, str]] = []
        self._opened = 0
        self._asked: tuple[object, ...] = ()
        self._asked_ns = 0
        self._suspects: list[Suspect] = []

    def take(self, checks: Iterable[Check], opened: Sequence[Fault], now_ns: int) -> None:
        """The checks of one look and the faults that it opened."""
        notes = {(check.id, check.message): check.note for check in checks} if opened else {}
        self._faults += [(fault, notes.get((fault.kind, fault.message), "")) for fault in opened]
        self._opened += len(opened)
        if self._lately and opened:
            self._faults = [one for one in self._faults if _since_end_ns(one[0], now_ns) <= LATELY_NS]

    def suspects(
        self, needs: Needs, meter: LineMeter, clean_s: float, now_ns: int, other: LineMeter | None = None
    ) -> list[Suspect]:
        """The likely causes as things stand, ranked anew only where the failing checks changed.

        clean_s: how long nothing has failed. other: the meter of the line from the controller, where there is one.
        """
        open_ = frozenset((fault.kind, fault.message) for fault, _ in self._faults if fault.end_ns is None)
        asked = (open_, self._opened, clean_s >= needs.clean_run_s)
        if asked != self._asked or now_ns - self._asked_ns >= AGAIN_NS:
            self._asked, self._asked_ns = asked, now_ns
            counting = self._counting(now_ns)
            known = Known(put_together(counting), facts(needs, meter, other, counting, clean_s))
            self._suspects = rank(known)
        return self._suspects

    def _counting(self, now_ns: int) -> list[tuple[Fault, str]]:
        if not self._lately:
            return self._faults
        wrong = any(fault.end_ns is None for fault, _ in self._faults)
        most_ns = NOW_NS if wrong else LATELY_NS
        return [one for one in self._faults if _since_end_ns(one[0], now_ns) <= most_ns]


def _since_end_ns(fault: Fault, now_ns: int) -> int:
    return 0 if fault.end_ns is None else now_ns - fault.end_ns


def put_together(faults: Sequence[tuple[Fault, str]]) -> list[Finding]:
    """One finding for each check and message, in order of importance."""
    by_check: defaultdict[tuple[str, str], list[tuple[Fault, str]]] = defaultdict(list)
    for fault, note in faults:
        by_check[fault.kind, fault.message].append((fault, note))
    found = []
    for (id_, message), alike in by_check.items():
        worst, note = alike[0]
        for fault, said in alike[1:]:
            if fault.worse_than(worst.measured):
                worst, note = fault, said
        lasting = any(fault.end_ns is None for fault, _ in alike)
        found.append(Finding(id_, message, len(alike), lasting, worst.measured, worst.needed, note, worst.says))
    return sorted(found, key=lambda one: (_RANK[one.id], one.message))


def facts(
    needs: Needs,
    meter: LineMeter,
    other: LineMeter | None,
    faults: Sequence[tuple[Fault, str]],
    clean_s: float,
) -> dict[str, float | str]:
    """What the meters tell beside the findings, by the names of causes.FACTS."""
    total, first_ns = meter.by_second.total, meter.load.first_ns
    troubled = {fault.message for fault, _ in faults if fault.message}
    fine = [type_ for type_, rate in meter.needed.items() if rate.count and type_ not in troubled]
    off_rate = [type_ for type_ in needs.messages if type_ in _named(faults, "rate-low", "rate-high").split(" and ")]
    told: dict[str, float | str] = {
        "bytes": meter.load.total,
        "heard": total.available + total.unavailable + total.pending,
        "fine": " and ".join(fine),
        "fine_count": len(fine),
        "missing": _named(faults, "message-missing", "gap") or "see the needs sheet",
        "wrong_rate": " and ".join(f"{type_} {needs.messages[type_].rate_hz:g} Hz" for type_ in off_rate),
        "baud": needs.baud,
        "restarts": _restarts([fault for fault, _ in faults]),
        "errored_share": total.errored / max(1, total.available),
        "cut_share": meter.errors.reasons["cut-short"] / max(1, meter.errors.total),
        "cut_count": meter.errors.reasons["cut-short"],
        "stray_share": meter.errors.reasons[NO_START] / max(1, meter.errors.total),
        "stray_count": meter.errors.reasons[NO_START],
        "damage_count": meter.errors.total,
        "strange_share": meter.errors.reasons["alphabet-wrong"] / max(1, meter.errors.total),
        "sentences": meter.sentences,
        "buffer_told": float(_buffer_told(meter)),
        "fixed_s": sum(s for quality, s in meter.fix.seconds_by_quality.items() if quality),
        "found": sum(not fault.warning for fault, _ in faults),
        "warned": sum(fault.warning for fault, _ in faults),
        "clean": clean_s,
        "clean_enough": float(clean_s >= needs.clean_run_s),
        "date_sentences": sum(one.rate.count for one in meter.messages.values() if one.type in DATED),
    }
    if meter.counters is not None:
        told["lost_here"] = meter.counters.lost_here
    if other is not None:
        told["other_bytes"] = other.load.total
    if meter.settings.arrival_measured and first_ns is not None:
        told["load_worst"] = meter.load.worst_ratio()
        told |= _wanted(needs, meter)
    refused = [fault.measured for fault, _ in faults if fault.kind == "quality-not-accepted"]
    if refused:
        told["quality_above"] = float(any(_above(needs, measured) for measured in refused))
    return told


def _named(faults: Sequence[tuple[Fault, str]], *kinds: str) -> str:
    """The messages that faults of these kinds are about."""
    return " and ".join(dict.fromkeys(fault.message for fault, _ in faults if fault.kind in kinds))


def _restarts(faults: Sequence[Fault]) -> int:
    """Silences after which the receiver came back without a fix."""
    ends_ns = [fault.end_ns for fault in faults if fault.kind in ("silent", "line-held-low") and fault.end_ns]
    cold_ns = [fault.start_ns for fault in faults if fault.kind == "no-fix"]
    return sum(any(_RESTART_NS[0] <= at_ns - end_ns <= _RESTART_NS[1] for at_ns in cold_ns) for end_ns in ends_ns)


def _buffer_told(meter: LineMeter) -> bool:
    """Whether the receiver said of itself that a buffer overflowed, as some do in TXT."""
    return any(
        "buf" in field.lower()
        for one in meter.messages.values()
        if one.type == "TXT" and one.last is not None
        for field in one.last.fields
    )


def _above(needs: Needs, quality: float | None) -> bool:
    """Whether a controller that takes a lesser fix refuses this one: it does not know the number."""
    if quality is None:
        return False
    accepted = [_BETTER.get(one, 0) for one in needs.qualities if one not in (6, 7, 8)]
    return any(one < _BETTER.get(int(quality), 0) for one in accepted)


def _wanted(needs: Needs, meter: LineMeter) -> dict[str, float | str]:
    """The arithmetic of the line: characters a second at the rates needed, or as heard where none is."""
    rows = []
    for one in meter.messages.values():
        rate_hz = _rate_hz(needs, one)
        if rate_hz and one.longest:
            rows.append((one.talker + one.type, rate_hz, one.longest))
    characters_hz = sum(rate_hz * length for _, rate_hz, length in rows)
    if not characters_hz:
        return {}
    bits_hz, sums = characters_hz * BITS_A_BYTE, _sums(rows)
    fits = next((baud for baud in BAUDS if baud >= 4800 and bits_hz <= needs.load_most * baud), BAUDS[-1])
    return {
        "load_wanted": bits_hz / needs.baud,
        "baud_fits": fits,
        "arithmetic": f"{sums} = {characters_hz:,.0f} characters a second, "
        f"which is {bits_hz:,.0f} of {needs.baud:,} bits a second",
    }


def _sums(rows: Sequence[tuple[str, float, int]]) -> str:
    """Name, rate and length of each kind of message, as people add it up; of many, the heaviest."""
    heaviest = sorted(rows, key=lambda row: -row[1] * row[2])[:SUMS_MOST]
    told = [f"{name} {rate_hz:g} x {length}" for name, rate_hz, length in rows if (name, rate_hz, length) in heaviest]
    return " + ".join(told if len(told) == len(rows) else [*told, "…"])


def _rate_hz(needs: Needs, one: Message) -> float:
    """The rate at which it comes, or should: a line that is too full lets less through."""
    needed = needs.messages.get(one.type)
    heard_hz = round(one.rate.whole_hz() or 0.0, 1)
    return max(heard_hz, needed.rate_hz) if needed else heard_hz
