"""Evidence: the raw bytes and times from 5 s before a fault to 5 s after it.

The last bytes of each line are kept in a ring. A fault that outlasts the ring gives two clips, one around its start
and one around its end; the memory is bounded however long it lasts.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Literal

from appliance.sentence.chunk import Chunk

MARGIN_NS = 5_000_000_000
"""How much is kept before the start and after the end."""
LATE_NS = 500_000_000
"""How late bytes may be handed over: evidence is taken so much after its span is over. Our choice, and plenty."""
_RING_NS = 30_000_000_000
_CLIP_BYTES_MOST = 200_000
"""A clip of 10 s at 115,200 baud is 115 kB; on a faster line its first part is kept."""


Label = Literal["opening", "closing", "whole"]


@dataclass(slots=True, frozen=True)
class Excerpt:
    """Bytes of one line around an instant. label: "opening", "closing" or "whole"."""

    label: Label
    line: str
    chunks: tuple[Chunk, ...]


@dataclass(slots=True)
class _Pending:
    start_ns: int
    opening: Excerpt | None = None
    end_ns: int | None = None


class Evidence:
    """Feed it the chunks; announce faults by key; it gives their excerpts soon after the 5 s after their end."""

    def __init__(self) -> None:
        self._rings: dict[str, deque[Chunk]] = {}
        self._pending: dict[str, _Pending] = {}

    def add(self, line: str, chunk: Chunk) -> None:
        """The next bytes of a line."""
        ring = self._rings.get(line)
        if ring is None:
            ring = self._rings[line] = deque()
        ring.append(chunk)
        oldest_ns = chunk.end_ns - _RING_NS
        while ring[0].end_ns < oldest_ns:
            ring.popleft()

    def opened(self, key: str, start_ns: int) -> None:
        """A fault began."""
        self._pending[key] = _Pending(start_ns)

    def closed(self, key: str, end_ns: int) -> None:
        """A fault ended."""
        self._pending[key].end_ns = end_ns

    def ready(self, now_ns: int, stopping: bool = False) -> list[tuple[str, tuple[Excerpt, ...]]]:
        """Keys of the faults whose evidence is whole by now, with it. stopping: what there is, of every fault."""
        done: list[tuple[str, tuple[Excerpt, ...]]] = []
        for key, pending in list(self._pending.items()):
            end_ns = pending.end_ns
            if stopping or (end_ns is not None and now_ns >= end_ns + MARGIN_NS + LATE_NS):
                done.append((key, self._excerpts(pending, now_ns if end_ns is None else end_ns)))
                del self._pending[key]
            elif pending.opening is None and now_ns >= pending.start_ns + 4 * MARGIN_NS:
                around = (pending.start_ns - MARGIN_NS, pending.start_ns + MARGIN_NS)
                pending.opening = self._excerpt("opening", *around)
        return done

    def _excerpts(self, pending: _Pending, end_ns: int) -> tuple[Excerpt, ...]:
        if pending.opening is None:
            return (self._excerpt("whole", pending.start_ns - MARGIN_NS, end_ns + MARGIN_NS),)
        return (pending.opening, self._excerpt("closing", end_ns - MARGIN_NS, end_ns + MARGIN_NS))

    def _excerpt(self, label: Label, from_ns: int, to_ns: int) -> Excerpt:
        """Of the line that the fault is on: the one from the receiver is the one that is judged."""
        chunks: list[Chunk] = []
        size = 0
        for chunk in self._rings.get("from-receiver", ()):
            if chunk.end_ns >= from_ns and chunk.start_ns <= to_ns and size < _CLIP_BYTES_MOST:
                chunks.append(chunk)
                size += len(chunk.data)
        return Excerpt(label, "from-receiver", tuple(chunks))
