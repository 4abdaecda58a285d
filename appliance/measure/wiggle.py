"""The wiggle test: with one hand at the connector, every damaged or missing sentence counts at once.

A sentence is missing when it is overdue by more than half its own interval; each further interval counts again. A
damaged one counts when its end, or the start of the next, has come, and is not counted as missing as well: what came
damaged within an interval of the moment at which a sentence is overdue is taken for that sentence. So a loss is told
once, as soon as it can be known, without waiting for the longest allowed gap.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

OVERDUE_INTERVALS = 1.5
"""Our choice: wide enough for the jitter of a healthy line, and 0.3 s at 5 Hz."""
STRIP_S = 60
STRIP_CELL_NS = 250_000_000
_HITS_MOST = 5000
_DAMAGED_MOST = 64
"""Damaged ones that may yet turn out to be what is overdue. Our choice: more than come in an interval."""


class Wiggle:
    """One test. intervals_ns: of each needed message. started_ns: when it was begun."""

    def __init__(self, intervals_ns: Mapping[str, int], started_ns: int) -> None:
        self.started_ns = started_ns
        self.damaged_count = 0
        self.missing_count = 0
        self.last_hit_ns: int | None = None
        self._intervals_ns = dict(intervals_ns)
        self._due_ns = {type_: started_ns + self._patience(type_) for type_ in intervals_ns}
        self._hits: deque[int] = deque(maxlen=_HITS_MOST)
        self._came_damaged_ns: deque[int] = deque(maxlen=_DAMAGED_MOST)

    @property
    def count(self) -> int:
        """Damaged and missing sentences since the test was begun."""
        return self.damaged_count + self.missing_count

    def sentence(self, type_: str, at_ns: int) -> None:
        """A good sentence of a message ended."""
        if type_ in self._due_ns:
            self.tick(at_ns)
            self._due_ns[type_] = at_ns + self._patience(type_)

    def damaged(self, at_ns: int) -> None:
        """A damaged frame, or bytes outside any, ended."""
        if at_ns >= self.started_ns:
            self.damaged_count += 1
            self._came_damaged_ns.append(at_ns)
            self._hit(at_ns)

    def tick(self, now_ns: int) -> None:
        """Counts what has become overdue by now."""
        for type_, due_ns in self._due_ns.items():
            interval_ns = self._intervals_ns[type_]
            while due_ns <= now_ns:
                if not self._came_damaged(due_ns - interval_ns, due_ns):
                    self.missing_count += 1
                    self._hit(due_ns)
                due_ns += interval_ns  # noqa: PLW2901  (the next one that should have come)
            self._due_ns[type_] = due_ns

    def strip(self, now_ns: int) -> list[int]:
        """Hits in each quarter of a second of the last minute, oldest first, the cells on whole quarters."""
        last = now_ns // STRIP_CELL_NS
        cells = [0] * (STRIP_S * 1_000_000_000 // STRIP_CELL_NS)
        for hit_ns in self._hits:
            place = len(cells) - 1 - (last - hit_ns // STRIP_CELL_NS)
            if 0 <= place < len(cells):
                cells[place] += 1
        return cells

    def _patience(self, type_: str) -> int:
        return int(OVERDUE_INTERVALS * self._intervals_ns[type_])

    def _came_damaged(self, after_ns: int, to_ns: int) -> bool:
        """Whether something came damaged in that time; it then stands for one sentence and no other."""
        for at_ns in self._came_damaged_ns:
            if after_ns < at_ns <= to_ns:
                self._came_damaged_ns.remove(at_ns)
                return True
        return False

    def _hit(self, at_ns: int) -> None:
        self._hits.append(at_ns)
        self.last_hit_ns = at_ns
