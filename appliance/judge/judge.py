"""Looks at the meter against the needs, again and again, and remembers what each rule last said.

Rules about the fix speak only when a sample came; in between, their last word stands. Given the same bytes at the same
times and looks at the same instants, the outcome is the same: live or from a recording.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

from appliance.judge.check import Check, Checks
from appliance.judge.checks import RULES, Look, silent
from appliance.judge.needs import Needs
from appliance.judge.truth import TELLERS, TOLD_BY, asked, fine, truth
from appliance.judge.wire import EXPLAINS_SILENCE, EXPLAINS_TEXT, PASSES, WIRE_IDS
from appliance.judge.wire import look as look_at_wire
from appliance.judge.wire_heard import UNREAD_NS, Wire, nothing_odd
from appliance.judge.words import SAYS
from appliance.measure.meter import LineMeter

Key = tuple[str, str]
"""A check's id and its message."""

_RANK = {id_: rank for rank, id_ in enumerate(SAYS)}
_WIRE_PASSES = {(id_, ""): check for id_, check in PASSES.items()}


class Judge:
    """Judges the line from the receiver. started_ns: when listening began.

    box_says: a fault of the box's own, which forbids a go; "" if there is none.
    """

    def __init__(self, needs: Needs, started_ns: int, box_says: str = "") -> None:
        faulty = Check("settings-faulty", "", "fail", at_ns=started_ns, note=box_says)
        self._box: dict[Key, Check] = {("settings-faulty", ""): faulty} if box_says else {}
        self.needs = needs
        self.started_ns = started_ns
        self.port_says = ""
        self._port = Check("port-lost", "", "pass", at_ns=started_ns)
        self._last: dict[Key, Check] = {}
        self._long_ns: int | None = None
        self._truths = asked(needs)
        self._lost_ns: int | None = None
        self._told_ns: dict[str, int] = {}

    def port(self, says: str, at_ns: int) -> None:
        """The port was opened (says is "") or lost (says is why, in plain words)."""
        self.port_says = says
        self._port = Check("port-lost", "", "fail" if says else "pass", at_ns=at_ns, note=says)
        if not says:
            self.started_ns = max(self.started_ns, at_ns)

    def look(self, meter: LineMeter, now_ns: int, other: LineMeter | None = None) -> Checks:
        """Every check as it stands now, the failing ones first, each group in order of importance.

        other: the meter of the line from the controller, where there is one.

        A rule about the fix may fail and pass again between two looks: then it counts as failing in this one, with
        its end noted.
        """
        look = Look(self.needs, meter, self.started_ns, now_ns, meter.fix.take_fresh())
        quiet = next(silent(look))
        deaf = bool(self.port_says) or (quiet.state == "fail" and quiet.over_ns is None)
        found: dict[Key, Check] = {**self._box, ("port-lost", ""): self._port}
        if self.port_says:
            quiet = replace(quiet, state="unknown", note="the port is not open")
        found["silent", ""] = quiet
        silent_since_ns = quiet.at_ns if quiet.state == "fail" and quiet.over_ns is None else None
        below = self._below(Wire(self.needs, meter, now_ns, silent_since_ns, other))
        found.update(below)
        if below is not _WIRE_PASSES:
            failing = {check.id for check in below.values() if check.state == "fail"}
            if failing & EXPLAINS_SILENCE:
                found["silent", ""] = replace(quiet, state="unknown", note="the reason for it is told")
            unread = meter.last_sentence_ns is None or now_ns - meter.last_sentence_ns > UNREAD_NS
            deaf = deaf or (unread and bool(failing & EXPLAINS_TEXT))
            if "tap-overrun" in failing:
                self._lost_ns = now_ns
        _follow_rules(look, found)
        for key, check in self._last.items():
            found.setdefault(key, check)
        self._lingering(found)
        true = self._true(meter, now_ns, {check.id for check in found.values() if check.state == "fail"})
        odd_true = {check.id for check in true}
        fine_true: Callable[[], list[Check]] = partial(
            fine, meter.truth.troubles.fine_ns.copy(), self._truths, odd_true
        )
        lost = self._lost_ns is not None and now_ns - self._lost_ns <= _AFTER_LOSS_NS
        if deaf or lost:
            found |= {(check.id, ""): check for check in true + fine_true()}
            for key, check in found.items():
                if check.id in MADE_BY_LOSS if not deaf else check.id not in ABOUT_THE_WIRE:
                    found[key] = replace(check, state="unknown", at_ns=now_ns)
            true, fine_true = [], _nothing
        self._last = {key: self._settled(found[key]) for key in _FROM_SAMPLES if key in found}
        odd = true + [check for check in found.values() if check.state != "pass"]
        return Checks(sorted(odd, key=rank), lambda: _passing(found, fine_true))

    def _true(self, meter: LineMeter, now_ns: int, failing: set[str]) -> list[Check]:
        """What is wrong with what was said, or cannot be told.

        Of two talkers at once nothing can be said; and a warning of what a rule of the needs has told adds nothing.
        """
        if failing:
            self._told_ns.update(dict.fromkeys(failing & TELLERS, now_ns))
        if "two-talkers" in failing:
            meter.truth.troubles.take_ended()
            return [Check(kind, "", "unknown", at_ns=now_ns) for kind in self._truths]
        return [
            Check(check.id, "", "unknown", at_ns=now_ns)
            if check.state == "warn" and check.at_ns <= self._told_ns.get(TOLD_BY.get(check.id, ""), -1)
            else check
            for check in truth(meter.truth.troubles, self._truths, now_ns)
        ]

    def _below(self, wire: Wire) -> Mapping[Key, Check]:
        """What the rules about the wire say; nothing of a port that is not open or a log whose times are its own."""
        if self.port_says or not wire.meter.settings.arrival_measured:
            return {}
        if nothing_odd(wire):
            return _WIRE_PASSES
        return {(check.id, ""): check for check in look_at_wire(wire)}

    def _lingering(self, found: dict[Key, Check]) -> None:
        """A check that fails for a while after its cause dates from the first of what it still tells of."""
        check = found["sentence-long", ""]
        if check.state == "fail":
            self._long_ns = check.at_ns = check.at_ns if self._long_ns is None else self._long_ns
        else:
            self._long_ns = None

    @staticmethod
    def _settled(check: Check) -> Check:
        """What stands until the next sample: a failure that was over within its look passes."""
        if check.state == "fail" and check.over_ns is not None:
            return replace(check, state="pass", at_ns=check.over_ns, over_ns=None)
        return check


def _follow_rules(look: Look, found: dict[Key, Check]) -> None:
    """What every rule says. What failed first and then passed was there in this look, and is over."""
    for rule in RULES:
        for check in rule(look):
            key = (check.id, check.message)
            earlier = found.get(key)
            if earlier is None or earlier.state != "fail":
                found[key] = check
            elif check.state != "fail":
                earlier.over_ns = earlier.over_ns or check.at_ns
            else:
                earlier.over_ns = check.over_ns


def _passing(found: Mapping[Key, Check], fine_true: Callable[[], list[Check]]) -> list[Check]:
    """What passes at a look, by importance."""
    return sorted([check for check in found.values() if check.state == "pass"] + fine_true(), key=rank)


def _nothing() -> list[Check]:
    return []


def rank(check: Check) -> int:
    """Orders checks: the failing first, then the unknown, each by importance."""
    return _STATE_RANK[check.state] + _RANK[check.id]


_FROM_SAMPLES = tuple(
    (id_, "") for id_ in ("no-fix", "quality-not-accepted", "age-high", "satellites-few", "hdop-high", "decimals-few")
)
MADE_BY_LOSS = frozenset(
    {"checksum-bad", "checksum-missing", "sentence-damaged", "gap", "rate-low", "message-missing", "clock-jump", "late"}
)
"""What bytes that this box lost look like: while it has lost some, none of this is the line's."""
_AFTER_LOSS_NS = 1_000_000_000
"""The sentences that a loss spoilt are over a little later than the loss. Our choice."""
ABOUT_THE_WIRE = WIRE_IDS | {"settings-faulty", "port-lost", "silent"}
_STATE_RANK = {state: place * len(_RANK) for place, state in enumerate(("fail", "warn", "unknown", "pass"))}
