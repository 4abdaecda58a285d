"""Damaged frames: how many, why, in which message, and how lately."""

from __future__ import annotations

from collections import Counter, deque

RECENT_NS = 10_000_000_000
"""What counts as lately: 10 s, the same span as the rate's short window. Our choice."""
_RECENT_MOST = 1000

NO_START = "start-missing"
"""The reason for bytes outside any frame: a sentence whose first character was lost, or noise."""


class Errors:
    """Damage of one line, by reason; total: all of the watch."""

    def __init__(self) -> None:
        self.reasons: Counter[str] = Counter()
        self.total = 0
        self._recent: dict[str, deque[int]] = {}

    def add(self, reason: str, at_ns: int) -> None:
        """One damaged frame."""
        self.reasons[reason] += 1
        self.total += 1
        self._recent.setdefault(reason, deque(maxlen=_RECENT_MOST)).append(at_ns)

    def recent(self, reasons: tuple[str, ...], now_ns: int) -> list[int]:
        """Times of the damage of these reasons within the last 10 s, in order."""
        times: list[int] = []
        if not self._recent:
            return times
        for reason in reasons:
            queue = self._recent.get(reason)
            if queue is None:
                continue
            while queue and queue[0] <= now_ns - RECENT_NS:
                queue.popleft()
            times.extend(queue)
        return sorted(times) if len(reasons) > 1 else times

    def forget_recent(self) -> None:
        """What came lately was heard at a wrong setting: it is no damage of the line."""
        self._recent.clear()
