"""Finding how a line is really set, by evidence rather than by turns.

While sentences come, nothing is asked and nothing is touched. When bytes come and no sentence does, the bytes seen are
weighed against the signature of every candidate (Bayes' rule with a preference for the needed setting and for the
usual 8N1, the bytes taken as independent), and the listener is tuned to the likeliest. What was seen at each listening
setting adds up, so a wrong guess is evidence too. A setting is locked when it has given sentences; the lock is lost
only by evidence: bytes without a sentence again. A damaged sentence whose address can be read is no lock, but vouches
for a while for the listener's baud and bits, whatever noise comes beside it. Only the listener's own setting is ever
changed; nothing is sent.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection

from appliance.measure.belief import Belief, best_at, prior
from appliance.measure.sampling import FLAWED
from appliance.measure.signature import BAUDS, Candidate, Signature, candidates, prepare, signatures
from appliance.sentence.parse import Damaged
from appliance.sentence.setting import Setting

ENOUGH_BYTES = 60
"""Bytes without a sentence before the setting is doubted: most of a usual sentence. Tuned on the bench."""
DOUBT_BYTES = 250
"""The same for a locked setting: three usual sentences. Our choice."""
AGAIN_BYTES = 40
"""More bytes before it is weighed anew; where many were seen already, a tenth of them."""
_AGAIN_MOST = 2000
"""But no more than these: four seconds at 4800 baud. Our choice."""
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
"""Share of bytes with framing or parity errors up to which sentences confirm a setting without more ado: at 8E1 an 8N1
listener reads every sentence, and half of the bytes are flawed. Our choice."""
VOUCHED_NS = 2_500_000_000
"""So long a sentence, or a damaged one that can be read, vouches for the listener's baud and bits: at 1 Hz, until the
second after it has failed to come. Our choice."""
LEGIBLE_LEAST = 0.75
"""Share of text in a damaged sentence that can be read. At seven bits and even parity half of the characters would come
with their top bit set. Our choice."""
_TEXT = bytes(range(0x20, 0x7F))
_PREPARED_AT_ONCE = 4
"""Signatures made while bytes wait to be judged. Our choice: some tens of milliseconds."""
_LOOKOUTS = (115_200, 460_800)
"""Bauds to listen at where next to nothing is heard: each hears lines up to thrice as fast."""
_SEEN_MOST = 400
"""Bytes weighed at one listening setting; more of the same adds certainty that is not there."""


class Hunt:
    """Follows one line. listening: how its port is set now. needed: how the controller is set."""

    def __init__(self, listening: Setting, needed: Setting) -> None:
        self.listening = listening
        self.needed = needed
        self.belief: Belief | None = None
        self.belief_ns = 0
        self._odd_bauds: tuple[int, ...] = ()
        self._allow(listening.baud, needed.baud)
        self._seen: Counter[int] = Counter()
        self._uncounted: list[bytes] = []
        self._size = 0
        self._heard_as = Candidate(listening)
        self._flaws_known = False
        self._vouched_ns: int | None = None
        self._legible = False
        self._weigh_at = ENOUGH_BYTES
        self._sentences = 0
        self._asked_ns = 0
        self._turned = False
        self._tried: set[Setting] = set()
        self._refused: set[Setting] = set()
        self._asked: Setting | None = None

    def take(self, data: bytes, at_ns: int, sentences: int, flawed: tuple[int, ...] | None = None) -> Setting | None:
        """The next bytes, when the last of them came, how many good sentences ended in them, and the places of those
        that the kernel found flawed (None: the port cannot tell).

        Gives the setting to tune the listener to, or None to leave it alone.
        """
        if not self._size and not self._turned:
            self._asked_ns = at_ns  # after a turn it counts from there: a lookout where nothing is heard is no better
        self._turned = False
        if sentences or self._legible:
            self._vouched_ns, self._legible = at_ns, False
        if sentences and flawed is None and not self._flaws_known:  # what was read need not be weighed
            self._confirmed(sentences, at_ns)
            return None
        self._add(data, flawed)
        if sentences and self._readable():
            self._confirmed(sentences, at_ns)
            return None
        seen = self._size
        if seen < FEW_BYTES:
            return None
        few = not self._locked and at_ns - self._asked_ns > FEW_NS
        if seen < self._weigh_at and not few:
            return None
        if not self.prepare(_PREPARED_AT_ONCE):
            return None
        self._asked_ns = at_ns
        self._weigh_at = seen + max(AGAIN_BYTES, min(seen // 10, _AGAIN_MOST))  # noise must not cost a core
        wanted = self._weigh(at_ns, few)
        self._asked = wanted or self._asked  # the answer to what was asked may still be under way
        return wanted

    def damaged(self, damaged: Damaged) -> None:
        """A damaged sentence ended in the bytes that are taken next."""
        if damaged.talker and not self._legible:
            row = damaged.frame.raw.rstrip(b"\r\n")
            text = len(row) - len(row.translate(None, _TEXT))
            self._legible = text >= LEGIBLE_LEAST * len(row)

    def prepare(self, most: int = 1) -> bool:
        """Makes ready, a little at a time, what doubts will be settled by; whether all of it is. For idle moments."""
        return prepare(self.listening, most, self._odd_bauds)

    def tuned(self, listening: Setting) -> None:
        """The listener has been tuned: what is heard from now on is heard at this setting."""
        if listening == self.listening:
            return
        self._scores = self._weighed()
        if listening.baud not in (*BAUDS, *self._odd_bauds):
            self._allow(listening.baud)
        self._begin_anew()
        self._turned = True
        self.listening, self._heard_as = listening, Candidate(listening)

    def settled(self) -> None:
        """Something else has told what the line carries: doubts begin anew."""
        self._scores = self._prior
        self._begin_anew()

    def refused(self) -> None:
        """The port cannot be tuned as was asked last: it is not asked again. What the line is taken to be stands."""
        if self._asked is not None:
            self._refused.add(self._asked)

    def _allow(self, *bauds: int) -> None:
        """The line may be at any baud that the listener or the controller is set to, usual or not. What was heard
        before has not been weighed against a new one, so doubts begin anew."""
        self._odd_bauds += tuple(sorted(set(bauds).difference(BAUDS, self._odd_bauds)))
        self._candidates = candidates(self._odd_bauds)
        self._prior = {candidate: prior(candidate, self.needed) for candidate in self._candidates}
        self._scores = self._prior

    @property
    def _locked(self) -> bool:
        return self.belief is not None and self.belief.locked

    def _add(self, data: bytes, flawed: tuple[int, ...] | None) -> None:
        """What was seen are bytes, or, where flaws are marked, words: bytes with FLAWED added to the flawed ones."""
        self._size += len(data)
        if flawed is None:
            self._uncounted.append(data)  # counted when they are weighed, which on a line that can be read they are not
            return
        self._flaws_known = True
        self._count()
        words = list(data)
        for place in flawed:
            words[place] += FLAWED
        self._seen.update(words)

    def _count(self) -> None:
        for data in self._uncounted:
            self._seen.update(data)
        self._uncounted.clear()

    def _readable(self) -> bool:
        """Whether sentences came at this setting because it is the right one, and not because parity went unseen."""
        if not self._flaws_known:
            return True
        self._count()
        flawed = sum(count for word, count in self._seen.items() if word >= FLAWED)
        if flawed <= FLAWED_MOST * self._size:
            return True
        if not self.prepare(_PREPARED_AT_ONCE):
            return False
        likelihoods = self._likelihoods([one for one in self._candidates if self._reads(one)])
        return max(likelihoods, key=likelihoods.__getitem__).setting == self.listening

    def _like(self, one: Candidate, other: Candidate) -> bool:
        """Whether nothing can ever tell them apart here: parity that is sent and not looked at."""
        (setting, kind), (like, other_kind) = one, other
        parity = "N" not in (setting.parity, like.parity) and not self._flaws_known and setting.bits == 8
        return parity and kind == other_kind and (setting.baud, setting.bits) == (like.baud, like.bits)

    def _reads(self, candidate: Candidate) -> bool:
        """Whether sentences of such a line can be read as one listens."""
        setting, listening = candidate.setting, self.listening
        same = setting.baud == listening.baud and setting.bits == listening.bits
        return same and candidate.kind not in ("binary", "inverted")

    def _confirmed(self, sentences: int, at_ns: int) -> None:
        self._sentences += sentences
        heard, belief = self._heard_as, self.belief
        if belief is not None and belief.locked and belief.candidate is heard and not (self._size or self._tried):
            return  # as mostly: it was locked, and nothing has been doubted since
        if self._sentences >= LOCK_SENTENCES:
            if self.belief is None or not self.belief.locked or self.belief.candidate != heard:
                self._believe(Belief(heard, 1.0, locked=True), at_ns)
            self._scores = self._prior
            self._tried.clear()
        self._forget()

    def _believe(self, belief: Belief, at_ns: int) -> None:
        """belief_ns is since when the line has been taken to be this."""
        if self.belief is None or self.belief.candidate != belief.candidate:
            self.belief_ns = at_ns
        self.belief = belief

    def _forget(self) -> None:
        self._seen.clear()
        self._uncounted.clear()
        self._size = 0
        self._weigh_at = DOUBT_BYTES if self._locked else ENOUGH_BYTES

    def _begin_anew(self) -> None:
        self._forget()
        self._sentences = 0
        self._vouched_ns, self._legible = None, False

    def _weighed(self, among: Collection[Candidate] | None = None) -> dict[Candidate, float]:
        """Scores with what was seen at this listening setting. among: None: all candidates."""
        among = self._candidates if among is None else among
        if not self._size:
            return {candidate: self._scores[candidate] for candidate in among}
        self._count()
        share = _TEMPER * min(1.0, _SEEN_MOST / self._size)
        likelihoods = self._likelihoods(among)
        return {candidate: self._scores[candidate] + share * told for candidate, told in likelihoods.items()}

    def _likelihoods(self, among: Collection[Candidate]) -> dict[Candidate, float]:
        """Of what was seen, by candidate; worked out once for those that look alike."""
        known = signatures(self.listening, self._odd_bauds)
        told: dict[Signature, float] = {}
        for one in among:
            if (like := known[one]) not in told:
                told[like] = like.log_likelihood(self._seen, self._flaws_known)
        return {one: told[known[one]] for one in among}

    def _weigh(self, at_ns: int, few: bool) -> Setting | None:
        vouched = self._vouched_ns is not None and at_ns - self._vouched_ns <= VOUCHED_NS
        scores = self._weighed([one for one in self._candidates if self._reads(one)] if vouched else self._candidates)
        ranked = sorted(scores.items(), key=lambda pair: -pair[1])
        best, score = ranked[0]
        if vouched and self._locked and best.setting == self.listening:
            return None  # noise beside sentences, or in them, is no reason to doubt
        chances = {candidate: math.exp(max(-700.0, other - score)) for candidate, other in ranked}
        meant = sum(chance for one, chance in chances.items() if one == best or self._like(one, best))
        self._believe(Belief(best, meant / sum(chances.values()), locked=False), at_ns)
        wanted = best.setting
        if wanted.baud != self.listening.baud:
            wanted = Setting(wanted.baud)  # the baud first; its format is told best from 8N1 at that baud
        binary = best.kind == "binary"
        if wanted in self._refused or (wanted == self.listening and not binary):
            return None
        lead = score - best_at(scores, self.listening, wanted) if wanted != self.listening else 0.0
        if lead >= SURE_NATS:
            return wanted
        if few:  # a stream of binary would be heard in full, and not as a few bytes
            scores = {one: other for one, other in scores.items() if one.kind != "binary"}
            lead = score - best_at(scores, self.listening, wanted)
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
