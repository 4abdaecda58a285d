"""Measures of one message: how often it comes, how evenly, how much of it is damaged."""

from __future__ import annotations

from collections import Counter

from appliance.measure.epoch import REST_NS
from appliance.measure.errors import RECENT_NS
from appliance.measure.rate import Rate
from appliance.measure.schedule import Schedule
from appliance.sentence.parse import Sentence

MAKER = "P"
"""The talker of makers' own sentences; what follows it is no type of the standard."""


GSA_SYSTEM = 17
"""Place of the system's number among the fields of GSA."""


class Message:
    """Measures of one talker and type."""

    __slots__ = ("_number", "_systems", "bad", "last", "longest", "longest_ns", "rate", "schedule", "talker", "type")

    def __init__(self, talker: str, type_: str) -> None:
        self.talker = talker
        self.type = type_
        self.rate = Rate()
        self.schedule = Schedule()
        self.bad: Counter[str] = Counter()
        self.last: Sentence | None = None
        self.longest = 0
        self.longest_ns = 0
        self._number = 0
        self._systems: set[str] = set()

    def add(self, sentence: Sentence, at_ns: int, scheduled: bool) -> bool:
        """One sentence of this message; whether it opens a group. scheduled: whether its byte times were measured."""
        opens = self._opens(sentence)
        if opens:
            self.rate.add(at_ns)
            if scheduled:
                self.schedule.add(at_ns)
        else:
            self.rate.count += 1
        self.last = sentence
        length = len(sentence.frame.raw)
        if length >= self.longest or at_ns - self.longest_ns > RECENT_NS:
            self.longest, self.longest_ns = length, at_ns
        return opens

    def _opens(self, sentence: Sentence) -> bool:
        """All open a group, but satellites in view whose number goes on counting from the one before, and those used
        that come in one go, system by system."""
        if sentence.talker == MAKER:
            return True
        if sentence.type == "GSV":
            before, self._number = self._number, int(sentence.fields[1] or 1)
            return self._number <= before or not before
        return sentence.type != "GSA" or self._opens_used(sentence)

    def _opens_used(self, sentence: Sentence) -> bool:
        """A system told again begins a new group, and one that should have come earlier and comes after a rest.

        Where its number is not sent (before NMEA 0183 v4.10), only a rest tells.
        """
        system = sentence.fields[GSA_SYSTEM] if len(sentence.fields) > GSA_SYSTEM else ""
        rests = self.last is None or sentence.frame.start_ns - self.last.frame.end_ns > REST_NS
        opens = rests and system <= max(self._systems, default="")
        opens = opens or (bool(system) and system in self._systems) or self.last is None
        self._systems = {system} if opens else self._systems | {system}
        return opens
