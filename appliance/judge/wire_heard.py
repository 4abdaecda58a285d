"""What the rules about the wire look at, and whether any of them has something to tell."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from appliance.judge.needs import Needs
from appliance.measure.belief import Belief
from appliance.measure.errors import NO_START, RECENT_NS
from appliance.measure.meter import LineMeter
from appliance.measure.signature import Candidate
from appliance.measure.sources import TWICE_LEAST
from appliance.sentence.setting import Setting

SURE = 0.95
"""Confidence from which a trouble of the setting is told. Our choice."""
JOINED_NS = 1_500_000_000
"""One who joins a line in mid character hears rubbish until it rests: so long its first sentences are waited for."""
UNREAD_NS = 5_000_000_000
"""After so long without a sentence none gets through. Our choice."""
GARBLED = ("checksum-bad", "alphabet-wrong", "cut-short", "overlong")
"""Damage that noise and lost contact do. A sentence of a strange shape with a right sum is the sender's doing."""
_ODD = (*GARBLED, NO_START)


@dataclass(slots=True)
class Wire:
    """All that these rules look at. silent_since_ns: None while bytes come. other: the line from the controller."""

    needs: Needs
    meter: LineMeter
    now_ns: int
    silent_since_ns: int | None
    other: LineMeter | None = None

    @property
    def belief(self) -> Belief | None:
        """What the line is taken to be, if that is sure."""
        belief, first_ns = self.meter.hunt.belief, self.meter.load.first_ns
        if belief is None or belief.locked:
            return belief
        settled = first_ns is not None and self.now_ns - first_ns >= JOINED_NS
        return belief if settled and belief.confidence >= SURE else None

    @property
    def reads(self) -> bool:
        """Whether what comes is taken to be text at the listener's own setting: what damages it can then be told."""
        if self.has_rtcm:
            return False
        belief = self.belief
        if belief is None:
            return self.meter.sentences > 0
        setting, kind = belief.candidate
        return setting == self.meter.listening and kind in ("text", "noise")

    @property
    def lost_here(self) -> bool:
        """Whether this box itself lost bytes of late."""
        at_ns = self.meter.lost_here_ns
        return at_ns is not None and self.now_ns - at_ns <= RECENT_NS

    @property
    def has_rtcm(self) -> bool:
        """Whether corrections came of late."""
        at_ns = self.meter.rtcm_ns
        return at_ns is not None and self.now_ns - at_ns <= RECENT_NS

    @property
    def unread(self) -> bool:
        """Whether no sentence has got through of late."""
        last = self.meter.last_sentence_ns
        return last is None or self.now_ns - last > UNREAD_NS


def nothing_odd(wire: Wire) -> bool:
    """Whether there is nothing that any rule about the wire could tell of: so it mostly is, and asked at every look."""
    meter, belief = wire.meter, wire.belief
    return (
        wire.silent_since_ns is None
        and not wire.lost_here
        and not wire.has_rtcm
        and (belief is None or belief.candidate == _as_needed(wire.needs.baud))
        and not meter.errors.recent(_ODD, wire.now_ns)
        and not meter.contact.recent(wire.now_ns)
        and meter.sources.twice_share < TWICE_LEAST
    )


@cache
def _as_needed(baud: int) -> Candidate:
    return Candidate(Setting(baud))
