"""Finding how a line is really set, by evidence rather than by turns.

While sentences come, nothing is asked and nothing is touched. When bytes come and no sentence does, the bytes seen are
weighed against the signature of every candidate (Bayes' rule with a preference for the needed setting and for the
usual 8N1, the bytes taken as independent), and the listener is tuned to the likeliest. What was seen at each listening
setting adds up, so a wrong guess is evidence too. A setting is locked when it has given sentences; the lock is lost
only by evidence: bytes without a sentence again. Only the listener's own setting is ever changed; nothing is sent.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

from appliance.measure.signature import CANDIDATES, Candidate, prepare, signature
from appliance.sentence.setting import Setting

ENOUGH_BYTES = 60
"""Bytes without a sentence before the setting is doubted: most of a usual sentence. Tuned on the bench."""
DOUBT_BYTES = 250
"""The same for a locked setting: three usual sentences. Our choice."""
AGAIN_BYTES = 40
"""More bytes before it is weighed anew."""
SURE_NATS = 7.0
"""Lead over the next candidate, as a logarithm, at which the listener is tuned: 1000 to 1. Tuned on the bench."""
LOCK_SENTENCES = 2
"""Sentences that lock a setting; one in 256 garbled frames sums right by luck. Our choice."""
_TEMPER = 0.5
"""Neighbouring bytes are not independent: their evidence is taken at half its face value. Tuned on the bench."""
FEW_BYTES = 16
FEW_NS = 900_000_000
"""Or so few in so long: of a line much faster than the listener, little is heard. Just under a second, so that the
second burst of messages at 1 Hz is enough. Tuned on the bench. A lock stands it: the rest of a sentence, a pause and
the first bytes after it are no reason to doubt."""
FEW_NATS = 3.0
"""Lead over the listener's own setting from which so few are reason to listen elsewhere: the garbled end of a burst
that was joined in its midst, and the first bytes of the next, are none. Tuned on the bench."""
FLAWED_MOST = 0.1
"""Share of bytes with framing or parity errors up to which sentences confirm a setting: at 8E1 an 8N1 listener reads
every sentence, and half of the bytes are flawed. Our choice."""
_PREPARED_AT_ONCE = 4
"""Signatures made while bytes wait to be judged. Our choice: some tens of milliseconds."""
_LOOKOUTS = (115_200, 460_800)
"""Bauds to listen at where next to nothing is heard: each hears lines up to thrice as fast."""
_SEEN_MOST = 400
"""Bytes weighed at one listening setting; more of the same adds certainty that is not there."""


@dataclass(slots=True, frozen=True)
class Belief:
    """What the line is taken to be. confidence: 0 to 1. locked: sentences have confirmed it."""

    candidate: Candidate
    confidence: float
    locked: bool


class Hunt:
    """Follows one line. listening: how its port is set now. needed: how the controller is set."""

    def __init__(self, listening: Setting, needed: Setting) -> None:
        self.listening = listening
        self.needed = needed
        self.belief: Belief | None = None
        self.belief_ns = 0
        self._prior = {candidate: _prior(candidate, needed) for candidate in CANDIDATES}
        self._scores = dict(self._prior)
        self._seen: Counter[int] = Counter()
        self._flawed = 0
        self._flaws_known = False
        self._weigh_at = ENOUGH_BYTES
        self._sentences = 0
        self._asked_ns = 0
        self._tried: set[Setting] = set()
        self._refused: set[Setting] = set()
        self._asked: Setting | None = None

    def take(self, data: bytes, at_ns: int, sentences: int, flawed: int | None = None) -> Setting | None:
        """The next bytes, when the last of them came, how many good sentences ended in them, and how many of them the
        kernel found flawed (None: the port cannot tell).

        Gives the setting to tune the listener to, or None to leave it alone.
        """
        if not self._seen:
            self._asked_ns = at_ns
        self._seen.update(data)
        if flawed is not None:
            self._flaws_known = True
            self._flawed += flawed
        readable = not self._flaws_known or self._flawed <= FLAWED_MOST * self._seen.total()
        if sentences and readable:
            self._confirmed(sentences, at_ns)
            return None
        seen = self._seen.total()
        locked = self.belief is not None and self.belief.locked
        few = not locked and seen >= FEW_BYTES and at_ns - self._asked_ns > FEW_NS
        if seen < self._weigh_at and not few:
            return None
        if not self.prepare(_PREPARED_AT_ONCE):
            return None
        self._asked_ns = at_ns
        self._weigh_at = seen + AGAIN_BYTES
        self._sentences = 0
        wanted = self._weigh(at_ns, few)
        self._asked = wanted or self._asked  # the answer to what was asked may still be under way
        return wanted

    def prepare(self, most: int = 1) -> bool:
        """Makes ready, a little at a time, what doubts will be settled by; whether all of it is. For idle moments."""
        return prepare(self.listening, most)

    def tuned(self, listening: Setting) -> None:
        """The listener has been tuned: what is heard from now on is heard at this setting."""
        if listening == self.listening:
            return
        self._scores = self._weighed()
        self._forget()
        self.listening = listening

    def settled(self) -> None:
        """Something else has told what the line carries: doubts begin anew."""
        self._scores = dict(self._prior)
        self._forget()

    def refused(self) -> None:
        """The port cannot be tuned as was asked last: it is not asked again. What the line is taken to be stands."""
        if self._asked is not None:
            self._refused.add(self._asked)

    def _confirmed(self, sentences: int, at_ns: int) -> None:
        self._sentences += sentences
        if self._sentences >= LOCK_SENTENCES:
            self._believe(Belief(Candidate(self.listening), 1.0, locked=True), at_ns)
            self._scores = dict(self._prior)
            self._tried.clear()
        self._forget()

    def _believe(self, belief: Belief, at_ns: int) -> None:
        """belief_ns is since when the line has been taken to be this."""
        if self.belief is None or self.belief.candidate != belief.candidate:
            self.belief_ns = at_ns
        self.belief = belief

    def _forget(self) -> None:
        self._seen.clear()
        self._flawed = 0
        self._weigh_at = DOUBT_BYTES if self.belief is not None and self.belief.locked else ENOUGH_BYTES

    def _weighed(self) -> dict[Candidate, float]:
        """Scores with what was seen at this listening setting."""
        total = self._seen.total()
        share = _TEMPER * min(1.0, _SEEN_MOST / total) if total else 0.0
        return {candidate: score + share * self._likelihood(candidate) for candidate, score in self._scores.items()}

    def _likelihood(self, candidate: Candidate) -> float:
        expected = signature(self.listening, candidate)
        likelihood = expected.log_likelihood(self._seen)
        if self._flaws_known:
            total = max(self._seen.total(), self._flawed)
            flawed = expected.flawed_share
            likelihood += self._flawed * math.log(flawed) + (total - self._flawed) * math.log(1 - flawed)
        return likelihood

    def _weigh(self, at_ns: int, few: bool) -> Setting | None:
        scores = self._weighed()
        ranked = sorted(scores.items(), key=lambda pair: -pair[1])
        best, score = ranked[0]
        chance = sum(math.exp(max(-700.0, other - score)) for _, other in ranked)
        self._believe(Belief(best, 1 / chance, locked=False), at_ns)
        wanted = best.setting
        if wanted.baud != self.listening.baud:
            wanted = Setting(wanted.baud)  # the baud first; its format is told best from 8N1 at that baud
        binary = best.kind == "binary"
        if wanted in self._refused or (wanted == self.listening and not binary):
            return None
        lead = score - _best_at(scores, self.listening, wanted) if wanted != self.listening else 0.0
        if lead >= SURE_NATS:
            return wanted
        return self._faster() if binary or (few and lead >= FEW_NATS) else None

    def _faster(self) -> Setting | None:
        """What looks like chance, or like next to nothing, may be text far too fast for this listener: once for each
        doubt, higher bauds are listened at, where its bits can be told apart."""
        for baud in _LOOKOUTS:
            faster = Setting(baud)
            if baud > self.listening.baud and faster not in self._tried | self._refused:
                self._tried.add(faster)
                return faster
        return None


def _best_at(scores: dict[Candidate, float], listening: Setting, wanted: Setting) -> float:
    """The best score of those that the listener would stay for: of his baud, or of his very setting."""
    same_baud = wanted.baud != listening.baud
    return max(
        score
        for (setting, _), score in scores.items()
        if (setting.baud == listening.baud if same_baud else setting == listening)
    )


def _prior(candidate: Candidate, needed: Setting) -> float:
    """In nats: an inverted line and one of seven bits are rarer than a wrong baud. Common practice, no source."""
    chosen = candidate.setting
    prior = {"text": 0.0, "inverted": -3.0, "two-talkers": -4.0, "binary": -6.0, "noise": -4.0}[candidate.kind]
    prior -= {"8N1": 0.0, "7E1": 2.0, "8E1": 3.0}.get(chosen.name, 4.0)
    prior -= 0.0 if chosen.baud in (4800, 9600, 19200, 38400, 115200) else 1.0
    return prior + (2.0 if chosen == needed else 0.0)
