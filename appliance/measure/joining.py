"""A line joined in mid character: until it rests, a UART takes any zero for a start, and what it reads is rubbish."""

from __future__ import annotations

from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import FRAME_MOST_BYTES

_REST_CHARACTERS = 3
"""A line that rests so long lets a listener begin anew, whatever he took for a start before. Our choice."""


class Joining:
    """Feed it the first chunks of one line. What begins in the first bytes that come without a rest is no damage; not
    more of them than a frame may have, for a line that never rests is none the better for it."""

    def __init__(self) -> None:
        self._bytes = 0
        self._until_ns: int | None = None
        self._over = False

    def add(self, chunk: Chunk, character_ns: int) -> None:
        """The next bytes."""
        if self._over:
            return
        rests = self._until_ns is not None and chunk.start_ns - self._until_ns > _REST_CHARACTERS * character_ns
        self._bytes += len(chunk.data)
        self._over = rests or self._bytes > FRAME_MOST_BYTES
        if not self._over:
            self._until_ns = chunk.end_ns

    def covers(self, at_ns: int) -> bool:
        """Whether what began then may be rubbish for this reason alone."""
        return self._until_ns is not None and at_ns <= self._until_ns
