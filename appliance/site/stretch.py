"""Which stretch of which watch a page shows, as its address tells it, and where one can go from there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from appliance.history.rows import Watch
from appliance.history.schema import RECEIVER
from appliance.site.words import LINE_WORDS, NS, from_ns
from appliance.take.span import SpanError, between

STEPS_MOST = 480
"""How many steps a plot is drawn from: more than a phone has dots across its plot. Our choice."""
STEPS_S = (1, 2, 5, 10, 15, 20, 30, 60, 120, 180, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400)
ABOUT_NS = 120 * NS
"""Before and after. Our choice."""
LEAST_S = 30
"""No closer than this can be looked: a second is the finest that history keeps."""


@dataclass(slots=True, frozen=True)
class Stretch:
    """Part of a watch, from from_ns up to to_ns on the box's own clock, as one line tells it."""

    watch: Watch
    from_ns: int
    to_ns: int
    line: str = RECEIVER

    @property
    def step_ns(self) -> int:
        """The shortest step with which STEPS_MOST of them reach over it."""
        return step_ns(self.to_ns - self.from_ns, STEPS_MOST)

    @property
    def whole(self) -> bool:
        return self.from_ns <= self.watch.started_ns and self.to_ns >= self.watch.last_ns

    def query(self) -> str:
        """As an address tells it."""
        told: dict[str, object] = {"watch": self.watch.id}
        if not self.whole:
            for name, at_ns in (("from", self.from_ns), ("to", self.to_ns)):
                told[name] = from_ns(self.watch.utc_ns(at_ns)).strftime("%Y-%m-%dT%H:%M:%S")
        if self.line != RECEIVER:
            told["line"] = self.line
        return urlencode(told, safe=":")

    def of_line(self, line: str) -> Stretch:
        """The same of another line."""
        return replace(self, line=line)

    def beside(self) -> dict[str, Stretch | None]:
        """By words: where one can go from here; None where there is nothing more that way."""
        length_ns, first_ns, last_ns = self.to_ns - self.from_ns, self.watch.started_ns, self.watch.last_ns + 1
        half_ns = length_ns // 2
        return {
            "Earlier": self._moved(-half_ns, -half_ns) if self.from_ns > first_ns else None,
            "Later": self._moved(half_ns, half_ns) if self.to_ns < last_ns else None,
            "Closer": self._moved(length_ns // 4, -length_ns // 4) if length_ns > 2 * LEAST_S * NS else None,
            "Wider": None if self.whole else self._moved(-half_ns, half_ns),
            "Whole watch": None if self.whole else replace(self, from_ns=first_ns, to_ns=last_ns),
        }

    def _moved(self, from_by_ns: int, to_by_ns: int) -> Stretch:
        first_ns, last_ns = self.watch.started_ns, self.watch.last_ns + 1
        begin_ns, end_ns = self.from_ns + from_by_ns, self.to_ns + to_by_ns
        if begin_ns < first_ns and from_by_ns == to_by_ns:
            end_ns += first_ns - begin_ns
        if end_ns > last_ns and from_by_ns == to_by_ns:
            begin_ns -= end_ns - last_ns
        return replace(self, from_ns=max(first_ns, begin_ns), to_ns=min(last_ns, end_ns))


def asked(watch: Watch, query: Mapping[str, str]) -> Stretch:
    """The stretch that an address asks for; the whole watch where it names none. Raises SpanError."""
    span = between(watch, query.get("from"), query.get("to"))
    line = query.get("line") or RECEIVER
    if line not in LINE_WORDS:
        raise SpanError("Choose the line from the receiver or the line from the controller.")
    return Stretch(watch, span.from_ns, span.to_ns, line)


def about(watch: Watch, start_ns: int, end_ns: int) -> Stretch:
    """What lies around something that happened."""
    return Stretch(watch, max(watch.started_ns, start_ns - ABOUT_NS), min(watch.last_ns + 1, end_ns + ABOUT_NS))


def step_ns(length_ns: int, most: int) -> int:
    """The shortest of STEPS_S of which at most `most` reach over length_ns; days where none does."""
    for step_s in STEPS_S:
        if length_ns <= most * step_s * NS:
            return step_s * NS
    return -(-length_ns // (most * 86400 * NS)) * 86400 * NS
