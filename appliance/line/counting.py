"""When the kernel's counters of a port are looked at, and what is told of them."""

from __future__ import annotations

from collections.abc import Callable

from appliance.sentence.counters import Counters

AFTER_READ_NS = 100_000_000  # a fault is on the screen within 0.3 s; our choice
IN_SILENCE_NS = 500_000_000  # overruns come with bytes, so silence can wait; our choice


class Counting:
    """Counts since one opening of a port; tells at once, and from then on when they have changed.

    read: the driver's counters, None where it has none. tell: takes the counts since the opening. clock: ns.
    """

    def __init__(
        self, read: Callable[[], Counters | None], tell: Callable[[Counters | None], None], clock: Callable[[], int]
    ) -> None:
        self._read = read
        self._tell = tell
        self._clock = clock
        self._first = read()
        self._looked_ns = clock()
        self._told = self._first.since(self._first) if self._first is not None else None
        tell(self._told)

    def look(self, after_read: bool) -> None:
        """Look if it is time to; after_read: bytes have just come."""
        if self._first is None:
            return
        now_ns = self._clock()
        if now_ns - self._looked_ns < (AFTER_READ_NS if after_read else IN_SILENCE_NS):
            return
        self._looked_ns = now_ns
        found = self._read()
        if found is None:  # an adapter on its way out; the next read tells
            return
        counted = found.since(self._first)
        if counted != self._told:
            self._told = counted
            self._tell(counted)
