"""Whether garbled sentences are two texts on top of one another, or one text with bits turned over.

Where two senders speak at once, their bits add up on the wire and other bytes come out than noise makes of text. So
the bytes of damaged frames are weighed against both signatures (see signature), as the hunt weighs whole lines.
"""

from __future__ import annotations

from collections import Counter

from appliance.measure.signature import Candidate, signature
from appliance.sentence.setting import Setting

_BYTES_MOST = 1500
"""Bytes weighed; beyond them the older count for half."""
LEAD_NATS = 25.0
"""Lead from which two talkers are taken to be there. Tuned on the bench."""
_TEMPER = 0.5
"""As in the hunt: neighbouring bytes are not independent."""


class Garble:
    """Feed it the damaged frames of one line."""

    def __init__(self) -> None:
        self._seen: Counter[int] = Counter()

    def add(self, raw: bytes) -> None:
        """The bytes of one damaged frame."""
        self._seen.update(raw)
        if self._seen.total() > _BYTES_MOST:
            self._seen = Counter({byte: count // 2 for byte, count in self._seen.items() if count > 1})

    def forget(self) -> None:
        """What was garbled so far was heard at a wrong setting."""
        self._seen.clear()

    def two_talkers(self, listening: Setting) -> bool:
        """Whether what is garbled is rather two texts than one with noise on it."""
        two = signature(listening, Candidate(listening, "two-talkers")).log_likelihood(self._seen)
        one = max(
            signature(listening, Candidate(listening, kind)).log_likelihood(self._seen) for kind in ("text", "noise")
        )
        return _TEMPER * (two - one) > LEAD_NATS
