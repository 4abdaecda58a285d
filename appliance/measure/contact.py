"""Contact that was lost for a moment: bytes are missing, and so is the time that they would have taken.

Noise garbles characters in their places; a pin that lets go leaves a rest in the middle of a sentence, and as many
characters fewer as fit into the rest. A delay of the operating system leaves a rest as well, but no character fewer.
A sentence that breaks off and is followed by a rest, rather than by the next sentence at once, is such a loss too.
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass

from appliance.measure.errors import RECENT_NS
from appliance.sentence.parse import Damaged

REST_LEAST_CHARACTERS = 3
"""Shorter rests cannot be told from a UART's own timing. Our choice."""
_FILLED_LEAST = 0.2
"""Share of the rest that the missing characters must fill; not all, since of two sentences one may be left. Tuned on
the bench."""
_REST_OF_NOISE = 0.5
"""Characters' time that noise may leave unused for each that it makes. Tuned on the bench."""
_STRANGE_MOST = 2
"""Characters that may be garbled where contact is lost, as one bounces. Our choice."""
_TEXT = bytes(range(0x20, 0x7F)) + b"\r\n"
_WITHIN_ITS_END = re.compile(rb"\*[0-9A-Fa-f]{0,2}\Z")
"""However few characters fewer: noise that hits a line end leaves a byte in its place."""
_KEPT_MOST = 1000


@dataclass(slots=True, frozen=True)
class Loss:
    """at_ns: the end of the last character before it, as far as can be told. length_ns: how long nothing came."""

    at_ns: int
    length_ns: int


class Contact:
    """Losses of contact on one line. character_ns: time of one character on it."""

    def __init__(self, character_ns: int) -> None:
        self.character_ns = character_ns
        self.count = 0
        self.longest_ns = 0
        self._recent: deque[Loss] = deque(maxlen=_KEPT_MOST)
        self._broken_off_ns: int | None = None

    def damaged(self, damaged: Damaged, usual_length: int) -> None:
        """A damaged frame. usual_length: of its message, in characters; 0: not known, and then the rest alone tells."""
        frame = damaged.frame
        taken_ns = (len(frame.raw) - 1) * self.character_ns
        rest_ns = frame.end_ns - frame.start_ns - taken_ns
        missing = usual_length - len(frame.raw)
        strange = len(frame.raw.translate(None, _TEXT))
        made_by_noise = damaged.reason == "cut-short" or not damaged.talker
        if not usual_length and strange > _STRANGE_MOST and made_by_noise:
            return  # and the rest is the line's own
        breaks_off = missing > REST_LEAST_CHARACTERS or not usual_length or _WITHIN_ITS_END.search(frame.raw)
        if damaged.reason == "cut-short" and breaks_off:
            self._broken_off_ns = frame.end_ns
        filled = not usual_length or missing * self.character_ns >= _FILLED_LEAST * rest_ns
        if filled and rest_ns > (REST_LEAST_CHARACTERS + _REST_OF_NOISE * strange) * self.character_ns:
            self._lost(Loss(frame.start_ns, rest_ns))

    def began(self, start_ns: int) -> None:
        """A frame, or bytes outside any, began at start_ns."""
        if self._broken_off_ns is None:
            return
        rest_ns = start_ns - self._broken_off_ns - self.character_ns
        if rest_ns > REST_LEAST_CHARACTERS * self.character_ns:
            self._lost(Loss(self._broken_off_ns, rest_ns))
        self._broken_off_ns = None

    def forget_recent(self) -> None:
        """What came lately was heard at a wrong setting."""
        self._recent.clear()
        self._broken_off_ns = None

    def recent(self, now_ns: int) -> list[Loss]:
        """Those of the last 10 s, in order."""
        while self._recent and self._recent[0].at_ns <= now_ns - RECENT_NS:
            self._recent.popleft()
        return list(self._recent)

    def _lost(self, loss: Loss) -> None:
        self.count += 1
        self.longest_ns = max(self.longest_ns, loss.length_ns)
        self._recent.append(loss)
