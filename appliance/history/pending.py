"""What was handed to the writer and is not yet in the file: bounded, so that a full card cannot fill the memory.

When there is too much, the oldest raw bytes and the oldest seconds go first and are counted; faults and marks are
few and tell most, so they are kept longest.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

from appliance.history.rows import BoxRow, FaultRow, LossRow, MarkRow, SecondRow, TuningRow
from appliance.sentence.chunk import Chunk

BYTES_MOST = 8 * 1024 * 1024  # nearly three hours of the usual set at 820 bytes/s
SECONDS_MOST = 20_000
EVENTS_MOST = 10_000
DRIFT_MOST_NS = 50_000_000  # 100 ppm over eight minutes


@dataclass(slots=True, frozen=True)
class FaultChange:
    """A fault to open or to close. key: the caller's name for it while it is on."""

    key: str
    row: FaultRow
    closes: bool


@dataclass(slots=True, frozen=True)
class LossChange:
    """A loss to open or to close, keyed like a fault."""

    key: str
    row: LossRow
    closes: bool


@dataclass(slots=True)
class Pending:
    """Rows waiting for the next commit. lost_bytes, lost_rows: what had to be let go since the start."""

    chunks: dict[str, deque[Chunk]] = field(default_factory=dict)
    seconds: deque[SecondRow] = field(default_factory=deque)
    faults: deque[FaultChange] = field(default_factory=deque)
    losses: deque[LossChange] = field(default_factory=deque)
    marks: deque[MarkRow] = field(default_factory=deque)
    tunings: deque[TuningRow] = field(default_factory=deque)
    boxes: deque[BoxRow] = field(default_factory=deque)
    dating: tuple[int, float] | None = None
    ended_ns: int | None = None
    lost_bytes: int = 0
    lost_rows: int = 0
    _held_bytes: int = 0

    def add_chunk(self, line: str, chunk: Chunk) -> None:
        self.chunks.setdefault(line, deque()).append(chunk)
        self._held_bytes += len(chunk.data)
        while self._held_bytes > BYTES_MOST:
            oldest = min((queue for queue in self.chunks.values() if queue), key=lambda queue: queue[0].start_ns)
            size = len(oldest.popleft().data)
            self._held_bytes -= size
            self.lost_bytes += size

    def add_second(self, row: SecondRow) -> None:
        self.seconds.append(row)
        self.lost_rows += _shorten(self.seconds, SECONDS_MOST)

    def add_fault(self, change: FaultChange) -> None:
        self.faults.append(change)
        self.lost_rows += _shorten(self.faults, EVENTS_MOST)

    def add_loss(self, change: LossChange) -> None:
        self.losses.append(change)
        self.lost_rows += _shorten(self.losses, EVENTS_MOST)

    def add_mark(self, row: MarkRow) -> None:
        self.marks.append(row)
        self.lost_rows += _shorten(self.marks, EVENTS_MOST)

    def add_tuning(self, row: TuningRow) -> None:
        self.tunings.append(row)
        self.lost_rows += _shorten(self.tunings, EVENTS_MOST)

    def add_box(self, row: BoxRow) -> None:
        self.boxes.append(row)
        self.lost_rows += _shorten(self.boxes, EVENTS_MOST)

    @property
    def empty(self) -> bool:
        """True where a commit would have nothing to write."""
        waiting = any(self.chunks.values()) or any(self._rows)
        return not waiting and self.dating is None and self.ended_ns is None

    def eventful(self, dated_ns: int | None) -> bool:
        """True where there is more than raw traffic and seconds. dated_ns: the dating that is in the file.

        That the clocks drift apart is not much, and comes every minute; a first date and a step are. That the box
        grew warmer can wait, that its supply is low cannot: it may be what cuts the power.
        """
        if self.dating is not None and (dated_ns is None or abs(self.dating[0] - dated_ns) > DRIFT_MOST_NS):
            return True
        low = any(one.supply_low for one in self.boxes)
        return low or any((self.faults, self.losses, self.marks, self.tunings)) or self.ended_ns is not None

    def clear(self) -> None:
        """All of it is in the file now."""
        for queue in (*self.chunks.values(), *self._rows):
            queue.clear()
        self.dating = self.ended_ns = None
        self._held_bytes = 0

    @property
    def _rows(self) -> tuple[deque[Any], ...]:
        return self.seconds, self.faults, self.losses, self.marks, self.tunings, self.boxes


def _shorten(queue: deque[Any], most: int) -> int:
    surplus = max(0, len(queue) - most)
    for _ in range(surplus):
        queue.popleft()
    return surplus
