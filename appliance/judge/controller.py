"""What the controller sees: when one of these needs would have lost its position or its speed, and for how long.

The rules of the judge tell what is wrong with the line; this tells what that did to the machine behind it. A
controller takes a sentence only if it can use it: its talker, its length, its quality and decimals must suit, and the
figure must be there. It keeps the last figure until its time-out and has then lost it, until the next sentence that
it can use.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from appliance.judge.checks import SETTLE_NS
from appliance.judge.needs import Needs
from appliance.measure.message import MAKER
from appliance.sentence.parse import Sentence
from appliance.sentence.types import GGA, GLL, RMC, VTG, Content

What = Literal["position", "speed"]

FLOOR_NS = 20_000_000
"""A loss shorter than this is none: an adapter may hold bytes for 16 ms, so no arrival is known finer. Where the
time-out is a whole number of intervals, each of them would else end in a loss or not as the jitter falls. Ours."""
SPANS_MOST = 200
"""Losses kept in memory; history keeps all. Our choice."""
CHANGED_MOST = 200
"""Losses begun or ended between two looks. Our choice."""

POSITION_TYPES = ("GGA", "RMC", "GLL")
SPEED_TYPES = ("VTG", "RMC")
_WITH_POSITION = (GGA, RMC, GLL)
_WITH_SPEED = (VTG, RMC)


@dataclass(slots=True)
class Span:
    """A loss, on the monotonic clock; end_ns is None while it lasts. The start is when the time-out ran out."""

    what: What
    start_ns: int
    end_ns: int | None = None


class _Use:
    """One figure that the controller needs: from which types, and for how long it keeps the last one."""

    __slots__ = ("last_ns", "open", "since_ns", "timeout_ns", "types", "what")

    def __init__(self, what: What, types: frozenset[str], timeout_s: float, started_ns: int) -> None:
        self.what: What = what
        self.types = types
        self.timeout_ns = round(timeout_s * 1e9)
        self.since_ns = started_ns
        self.last_ns: int | None = None
        self.open: Span | None = None

    @property
    def lost_ns(self) -> int:
        """When it is lost if nothing more comes. The line is given time to settle before the first sentence."""
        if self.last_ns is None:
            return self.since_ns + max(self.timeout_ns, SETTLE_NS)
        return self.last_ns + self.timeout_ns


class Controller:
    """Feed it each good sentence of the line from the receiver in order, and look now and then, also in silence.

    Position comes from GGA where the sheet names it, else from what it names of RMC and GLL, else, where the sheet
    asks for a fix and names no such message, from any of the three. Speed comes from VTG where the sheet names it, else
    from RMC where it names that. What a sheet does not ask cannot be lost. spans: in order of their start, the last
    200. The time-out is the longest allowed gap of the message, the shortest of them where several serve.
    """

    def __init__(self, needs: Needs, started_ns: int) -> None:
        self.needs = needs
        self.spans: list[Span] = []
        self._changed: list[Span] = []
        self._closed_ns: dict[What, int] = {}
        asked: dict[What, frozenset[str]] = {"position": position_types(needs), "speed": speed_types(needs)}
        self._uses = [_Use(what, types, _timeout_s(needs, types), started_ns) for what, types in asked.items() if types]
        self._types = frozenset[str]().union(*(use.types for use in self._uses))
        self._deaf = False

    def take(self, sentence: Sentence) -> None:
        """One good sentence, at the time of its last byte."""
        if sentence.type not in self._types or sentence.talker == MAKER or not self._read(sentence):
            return
        content, at_ns = sentence.content, sentence.frame.end_ns
        for use in self._uses:
            if sentence.type in use.types and content is not None and _USABLE[use.what](content, self.needs):
                self._overdue(use, at_ns)
                self._found(use, at_ns)

    def look(self, now_ns: int) -> None:
        """Time has passed: what is overdue by now is lost."""
        for use in self._uses:
            self._overdue(use, now_ns)

    def port(self, says: str, at_ns: int) -> None:
        """The port was opened (says is "") or lost (says is why): while it is gone the box cannot tell, so no loss."""
        self.look(at_ns)
        self._deaf = bool(says)
        for use in self._uses:
            if use.open is not None:
                self._close(use, at_ns)
            use.since_ns, use.last_ns = at_ns, None

    def take_changed(self) -> list[Span]:
        """The losses begun or ended since this was last asked, each once, in order (at most the last 200)."""
        changed, self._changed = self._changed, []
        return changed

    def lost_s(self, what: What, now_ns: int) -> float:
        """For how long all in all it was lost, up to now."""
        open_ns = sum(now_ns - use.open.start_ns for use in self._uses if use.open is not None and use.what == what)
        return (self._closed_ns.get(what, 0) + max(0, open_ns)) / 1e9

    @property
    def asked(self) -> tuple[What, ...]:
        """What these needs ask for, and so can be lost."""
        return tuple(use.what for use in self._uses)

    def _read(self, sentence: Sentence) -> bool:
        """Whether a controller of these needs reads the sentence at all."""
        needs = self.needs
        return (not needs.talkers or sentence.talker in needs.talkers) and (
            len(sentence.frame.raw) <= needs.sentence_length_most
        )

    def _overdue(self, use: _Use, now_ns: int) -> None:
        if use.open is None and not self._deaf and now_ns > use.lost_ns + FLOOR_NS:
            use.open = Span(use.what, use.lost_ns)
            insort(self.spans, use.open, key=lambda span: span.start_ns)
            del self.spans[:-SPANS_MOST]
            self._note(use.open)

    def _found(self, use: _Use, at_ns: int) -> None:
        if use.open is not None:
            self._close(use, at_ns)
        use.last_ns = at_ns

    def _close(self, use: _Use, at_ns: int) -> None:
        span, use.open = use.open, None
        if span is not None:
            span.end_ns = max(at_ns, span.start_ns)
            self._closed_ns[use.what] = self._closed_ns.get(use.what, 0) + span.end_ns - span.start_ns
            self._note(span)

    def _note(self, span: Span) -> None:
        if not any(span is one for one in self._changed):
            self._changed.append(span)
            del self._changed[:-CHANGED_MOST]


def position_types(needs: Needs) -> frozenset[str]:
    """Types from which a controller of these needs takes its position; empty where it asks for none."""
    if "GGA" in needs.messages:
        return frozenset({"GGA"})
    named = needs.messages.keys() & set(POSITION_TYPES)
    asked = needs.fix_required or needs.qualities or needs.decimals_least is not None
    return frozenset(named or (POSITION_TYPES if asked else ()))


def speed_types(needs: Needs) -> frozenset[str]:
    """Types from which a controller of these needs takes its speed; empty where it asks for none."""
    return frozenset([type_ for type_ in SPEED_TYPES if type_ in needs.messages][:1])


def _timeout_s(needs: Needs, types: frozenset[str]) -> float:
    gaps = [message.gap_most_s for type_, message in needs.messages.items() if type_ in types]
    return min(gaps, default=needs.silence_most_s)


def _has_position(content: Content, needs: Needs) -> bool:
    if not isinstance(content, _WITH_POSITION):
        return False
    if content.latitude_deg is None or content.longitude_deg is None:
        return False
    if needs.decimals_least is not None and (content.decimals or 0) < needs.decimals_least:
        return False
    if isinstance(content, GGA):
        if needs.qualities and content.quality not in needs.qualities:
            return False
        return bool(content.quality) or not needs.fix_required
    return content.status == "A" or not needs.fix_required


def _has_speed(content: Content, needs: Needs) -> bool:
    if not isinstance(content, _WITH_SPEED) or content.speed_mps is None:
        return False
    if not needs.fix_required:
        return True
    return content.status == "A" if isinstance(content, RMC) else content.mode != "N"


_USABLE: dict[What, Callable[[Content, Needs], bool]] = {"position": _has_position, "speed": _has_speed}
