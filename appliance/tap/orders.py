"""What the keeper may be asked for: orders on a bounded queue, carried out by its thread in the order they came."""

from __future__ import annotations

import queue
import sqlite3
import threading
from collections.abc import Callable

from appliance.history.job import Job
from appliance.history.rows import BoxRow, FaultRow, HistoryError, LossRow, MarkRow, SecondRow, TuningRow
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk

ORDERS_MOST = 50_000
MUST_MOST = 1000
"""Beside them there is room for so many without which those that follow could not be read. Our choice."""
TROUBLES = (HistoryError, sqlite3.Error, OSError)
"""What may go wrong with a file and a card."""

Order = Callable[[HistoryWriter], None]

CHUNKS_WAIT = 16
"""Pieces of a line that may wait for the keeper's next turn; what comes faster than a line can, it takes at once."""


class Orders:
    """Never blocks who orders. dropped: orders that found the queue full."""

    def __init__(self) -> None:
        self.dropped = 0
        self._orders: queue.Queue[Order] = queue.Queue(ORDERS_MOST + MUST_MOST)
        self._called = threading.Event()

    def chunk(self, line: str, chunk: Chunk) -> None:
        """Raw bytes of a line. There are many, and nobody waits for them: they are taken with what comes next."""
        self._order(lambda writer: writer.add_chunk(line, chunk), soon=self._orders.qsize() >= CHUNKS_WAIT)

    def second(self, row: SecondRow) -> None:
        """A line's measures over one second."""
        self._order(lambda writer: writer.add_second(row))

    def fault(self, key: str, row: FaultRow, *, whole: bool = False) -> None:
        """A fault that began or changed; whole: it has ended and its evidence is with it."""
        self._order(lambda writer: (writer.close_fault if whole else writer.open_fault)(key, row))

    def loss(self, key: str, row: LossRow) -> None:
        """A time in which the controller would have lost position or speed: begun, or ended where it has an end."""
        self._order(lambda writer: (writer.open_loss if row.end_ns is None else writer.close_loss)(key, row))

    def mark(self, row: MarkRow) -> None:
        """A moment that somebody marked."""
        self._order(lambda writer: writer.add_mark(row))

    def box(self, row: BoxRow) -> None:
        """How the box itself is from now on."""
        self._order(lambda writer: writer.add_box(row))

    def tuned(self, row: TuningRow) -> None:
        """A port listens at another setting."""
        self._order(lambda writer: writer.add_tuning(row), must=True)

    def date(self, utc_minus_mono_ns: int, uncertainty_s: float) -> None:
        """The line has told the time."""
        self._order(lambda writer: writer.date_watch(utc_minus_mono_ns, uncertainty_s))

    def erase(self, watch_id: int | None, done: Callable[[str], None]) -> None:
        """Erases a watch, or all. done: is told, by the keeper's thread, what is wrong with it, or ""."""
        self._order_told(lambda writer: writer.erase(watch_id), done)

    def job(self, watch_id: int | None, job: Job, changed_utc_ns: int, done: Callable[[str], None]) -> None:
        """Gives a job to a watch, or to the one under way. done: as of erase."""
        self._order_told(lambda writer: writer.give_job(watch_id, job, changed_utc_ns), done)

    def _order_told(self, order: Order, done: Callable[[str], None]) -> None:
        def carry_out(writer: HistoryWriter) -> None:
            says = ""
            try:
                order(writer)
            except TROUBLES as trouble:
                says = str(trouble)
            done(says)

        if not self._order(carry_out):
            done("more waits for the card than this box can hold. Ask again when history can be written.")

    def _order(self, order: Order, *, soon: bool = True, must: bool = False) -> bool:
        """Whether there was room for it. soon: whoever carries it out is woken. must: what is ordered after it would
        mean nothing without it."""
        try:
            if not must and self._orders.qsize() >= ORDERS_MOST:
                raise queue.Full
            self._orders.put_nowait(order)
        except queue.Full:
            self.dropped += 1
            return False
        if soon:
            self._called.set()
        return True
