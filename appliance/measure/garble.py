"""Whether garbled sentences are two texts on top of one another, or one text with bits turned over.

Where two senders speak at once, their bits add up on the wire and other bytes come out than noise makes of text. So
the bytes of damaged frames are weighed against both signatures (see signature), as the hunt weighs whole lines.

Where they overlap by a few characters only, those weigh too little. Then it tells that nothing is missing: noise spoils
sentences that were due, so that a message comes less often; a second talker's come on top of those that are due.
"""

from __future__ import annotations

import math
from collections import Counter, deque

from appliance.measure.rate import Rate
from appliance.measure.signature import Candidate, Signature, signature
from appliance.sentence.parse import Damaged
from appliance.sentence.setting import Setting

_BYTES_MOST = 1500
"""Bytes weighed; beyond them the older count for half."""
LEAD_NATS = 25.0
"""Lead from which two talkers are taken to be there. Tuned on the bench."""
SURPLUS_LEAST = 4
"""Garbled sentences from which it is asked whether any is missing. Our choice."""
SURPLUS_MISSING_MOST = 0.25
"""Share of the garbled ones that may be missing, where they came on top of those due. Our choice."""
_QUICK = 0.1
"""Share of the intervals that are taken to be without a loss. Our choice."""
_MESSAGES_MOST = 50
_STRANGE_MOST = 200
_PARTS = (0.1, 0.3, 0.5, 0.7, 0.9)
"""Shares of a garbled sentence that may be spoilt: of two that overlap, both ends may be sound."""
_TEMPER = 0.5
"""As in the hunt: neighbouring bytes are not independent."""


class Garble:
    """Feed it the damaged frames of one line."""

    def __init__(self) -> None:
        self._seen: Counter[int] = Counter()
        self._size = 0
        self._strange: dict[tuple[str, str], deque[int]] = {}

    def add(self, damaged: Damaged) -> None:
        """One damaged frame."""
        key = damaged.talker, damaged.type
        if damaged.reason == "alphabet-wrong" and (key in self._strange or len(self._strange) < _MESSAGES_MOST):
            self._strange.setdefault(key, deque(maxlen=_STRANGE_MOST)).append(damaged.frame.end_ns)
        self._seen.update(damaged.frame.raw)
        self._size += len(damaged.frame.raw)
        if self._size > _BYTES_MOST:
            self._seen = Counter({byte: count // 2 for byte, count in self._seen.items() if count > 1})
            self._size = self._seen.total()

    def forget(self) -> None:
        """What was garbled so far was heard at a wrong setting."""
        self._seen.clear()
        self._size = 0
        self._strange.clear()

    def surplus(self, talker: str, type_: str, rate: Rate, due_hz: float, now_ns: int) -> tuple[int, float]:
        """Of one message in the last 10 s: how many were garbled in between sound ones, and how many were missing.

        due_hz: how often it is to come, if that is more than is seen. Where the sound ones are fewer than the garbled,
        nothing can be told: then each garbled one counts as missing.
        """
        strange = self._strange.get((talker, type_))
        if not strange:
            return 0, 0.0
        hz, usual_s = rate.short_hz(now_ns), rate.intervals.quantile(_QUICK)
        until_ns, span_ns = rate.last_ns, rate.short_span_ns()
        garbled = sum(until_ns - span_ns < at_ns < until_ns for at_ns in strange)
        if not garbled or not hz or not usual_s:
            return 0, 0.0
        span_s = span_ns / 1e9
        missing = span_s * (max(due_hz, 1 / usual_s) - hz)
        return garbled, max(0.0, missing) if garbled <= 1 + hz * span_s else float(garbled)

    def two_talkers(self, listening: Setting) -> bool:
        """Whether what is garbled is rather two texts than one with noise on it, be it wholly or in part."""
        text, two, noise = (
            signature(listening, Candidate(listening, kind)) for kind in ("text", "two-talkers", "noise")
        )
        lead = _mixed(self._seen, text, two) - _mixed(self._seen, text, noise)
        return _TEMPER * lead > LEAD_NATS


def _mixed(seen: Counter[int], text: Signature, other: Signature) -> float:
    """Log likelihood of these bytes if a share of them is as in `other` and the rest sound text; the best share."""
    shares = [(text.share(byte), other.share(byte), count) for byte, count in seen.items()]
    return max(
        sum(count * math.log((1 - part) * sound + part * spoilt) for sound, spoilt, count in shares) for part in _PARTS
    )
