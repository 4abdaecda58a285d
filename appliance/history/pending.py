"""What was handed to the writer and is not yet in the file: bounded, so that a full card cannot fill the memory.

When there is too much, the oldest raw bytes and the oldest seconds go first and are counted; faults and marks are
few and tell most, so they are kept longest.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import islice
from math import ceil
from typing import Any

from appliance.history.rows import BoxRow, FaultRow, LossRow, MarkRow, SecondRow, TuningRow
from appliance.sentence.chunk import Chunk

BYTES_MOST = 8 * 1024 * 1024  # nearly three hours of the usual set at 820 bytes/s
SECONDS_MOST = 20_000
EVENTS_MOST = 10_000
ROW_BYTES = 100  # about what a row takes, beside raw bytes
SECONDS = "seconds"  # no line is called that
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
    _secured: dict[str, int] = field(default_factory=dict)  # how many of the oldest chunks of a line, or seconds

    def add_chunk(self, line: str, chunk: Chunk) -> None:
        self.chunks.setdefault(line, deque()).append(chunk)
        self._held_bytes += len(chunk.data)
        while self._held_bytes > BYTES_MOST:
            waiting = [(line, queue) for line, queue in self.chunks.items() if queue]
            line, oldest = min(waiting, key=lambda one: one[1][0].start_ns)
            self._secured[line] = max(0, self._secured.get(line, 0) - 1)
            size = len(oldest.popleft().data)
            self._held_bytes -= size
            self.lost_bytes += size

    def add_second(self, row: SecondRow) -> None:
        self.seconds.append(row)
        lost = _shorten(self.seconds, SECONDS_MOST)
        self.lost_rows += lost
        self._secured[SECONDS] = max(0, self._secured.get(SECONDS, 0) - lost)

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

    def secured(self) -> None:
        """All raw bytes and seconds that wait stand in the tail, until the next part is in the file."""
        self._secured = {line: len(queue) for line, queue in self.chunks.items()} | {SECONDS: len(self.seconds)}

    def unsecured(self) -> None:
        """What waits stands in no tail."""
        self._secured.clear()

    @property
    def size(self) -> int:
        """About how many bytes wait."""
        evidence = sum(
            len(chunk.data) for change in self.faults for clip in change.row.evidence for chunk in clip.chunks
        )
        return self._held_bytes + evidence + ROW_BYTES * sum(map(len, self._rows))

    def oldest(self, most_bytes: int) -> Pending:
        """Some of what has waited longest, of each kind its share, so that it is about most_bytes; the end comes last.

        It holds all that stands in the tail, which no longer counts once a part is in the file.
        """
        share = min(1.0, most_bytes / max(1, self.size))

        def head(queue: deque[Any], secured: int = 0) -> deque[Any]:
            return deque(islice(queue, max(secured, ceil(len(queue) * share))))

        part = Pending(
            {line: head(queue, self._secured.get(line, 0)) for line, queue in self.chunks.items()},
            head(self.seconds, self._secured.get(SECONDS, 0)),
            head(self.faults),
            head(self.losses),
            head(self.marks),
            head(self.tunings),
            head(self.boxes),
            self.dating,
        )
        part._held_bytes = sum(len(chunk.data) for queue in part.chunks.values() for chunk in queue)
        if all(len(some) == len(all_) for some, all_ in zip(part._queues, self._queues, strict=True)):
            part.ended_ns = self.ended_ns
        return part

    def drop(self, part: Pending) -> None:
        """A part, as oldest gave it, is in the file now."""
        for queue, some in zip(self._queues, part._queues, strict=True):
            for _ in some:
                queue.popleft()
        self._held_bytes -= part._held_bytes
        self.dating = None
        self.ended_ns = None if part.ended_ns is not None else self.ended_ns
        self._secured.clear()

    @property
    def _queues(self) -> tuple[deque[Any], ...]:
        return *self.chunks.values(), *self._rows

    @property
    def _rows(self) -> tuple[deque[Any], ...]:
        return self.seconds, self.faults, self.losses, self.marks, self.tunings, self.boxes


def _shorten(queue: deque[Any], most: int) -> int:
    surplus = max(0, len(queue) - most)
    for _ in range(surplus):
        queue.popleft()
    return surplus
