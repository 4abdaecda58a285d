"""The bounded queue from the readers to the core. It never blocks a reader; what it must drop, it owns up to."""

from __future__ import annotations

import threading
import time
from collections import deque

from appliance.line.port import Event
from appliance.sentence.chunk import Chunk

Item = tuple[str, Event]
ITEMS_MOST = 20_000
"""At 38,400 baud read byte by byte this is five seconds; read as usual, minutes. Our choice."""


class Inbox:
    """Many readers put, one core takes. A deque and no queue.Queue: nobody waits on it, so nothing need be locked or
    told. Readers who find the last place at the same instant both take it."""

    def __init__(self, most: int = ITEMS_MOST) -> None:
        self._items: deque[Item] = deque()
        self._most = most
        self._lock = threading.Lock()
        self._dropped = 0

    def put(self, line: str, item: Event) -> None:
        """Hands over what a reader got. Returns at once."""
        while len(self._items) >= self._most:
            dropped = item if isinstance(item, Chunk) else self._oldest()
            with self._lock:
                self._dropped += len(dropped.data) if isinstance(dropped, Chunk) else 0
            if dropped is item:
                return
        self._items.append((line, item))

    def _oldest(self) -> Event | None:
        """Makes room for what must not be lost: the state of a port, or how it listens."""
        taken = self.take(0)
        return taken[1] if taken else None

    @property
    def dropped(self) -> int:
        """Bytes dropped since the start because the core did not keep up: the box's own fault, not the line's."""
        return self._dropped

    @property
    def waiting(self) -> int:
        """How many items there are by now."""
        return len(self._items)

    def take(self, timeout_s: float) -> Item | None:
        """The next item; None where there is none. Where there is none yet, it looks again when the time is over.

        So one who waits is not woken by each of the small pieces that a port hands over: their times are theirs, and
        it is soon enough to judge them together.
        """
        item = self._next()
        if item is None and timeout_s > 0:
            time.sleep(timeout_s)
            item = self._next()
        return item

    def _next(self) -> Item | None:
        try:
            return self._items.popleft()
        except IndexError:
            return None
