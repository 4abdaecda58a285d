"""Whether garbled sentences are two texts on top of one another, or one text with bits turned over.

Where two senders speak at once, their bits add up on the wire and other bytes come out than noise makes of text. So
the bytes of damaged frames are weighed against both signatures (see signature), as the hunt weighs whole lines.
"""

from __future__ import annotations

import math
from collections import Counter

from appliance.measure.signature import Candidate, Signature, signature
from appliance.sentence.setting import Setting

_BYTES_MOST = 1500
"""Bytes weighed; beyond them the older count for half."""
LEAD_NATS = 25.0
"""Lead from which two talkers are taken to be there. Tuned on the bench."""
_PARTS = (0.1, 0.3, 0.5, 0.7, 0.9)
"""Shares of a garbled sentence that may be spoilt: of two that overlap, both ends may be sound."""
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
