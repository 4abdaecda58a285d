"""The keeper: the thread that owns the write connection of history. It batches, and outlives a card in trouble."""

from __future__ import annotations

import contextlib
import logging
import queue
import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path

from appliance.history.rows import FaultRow, HistoryError, LossRow, MarkRow, SecondRow, TuningRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk

COMMIT_S = 2.0
"""Seconds of traffic a commit holds: what a power cut may cost. Our choice; shorter wears the card more."""
RETRY_S = 5.0
_TURN_S = 0.2
_ORDERS_MOST = 50_000
_TROUBLES = (HistoryError, sqlite3.Error, OSError)

Order = Callable[[HistoryWriter], None]
log = logging.getLogger("linelamp.keeper")


class Keeper:
    """Takes orders from the core, never blocks it, and writes them in batches from a thread of its own.

    watch_id: of the watch in history, None until it has begun there. says: what is wrong with history, or "".
    """

    def __init__(self, path: Path, start: WatchStart, *, clock: Callable[[], int] = time.monotonic_ns) -> None:
        self.watch_id: int | None = None
        self.says = ""
        self.dropped = 0
        self.heartbeat_ns = clock()
        self._path = path
        self._start = start
        self._clock = clock
        self._orders: queue.Queue[Order] = queue.Queue(_ORDERS_MOST)
        self._stopping = threading.Event()
        self._ended_ns = start.started_ns
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)

    def start(self) -> None:
        """Begins the watch in history, as soon as history lets it."""
        self._thread.start()

    def stop(self, at_ns: int, timeout_s: float) -> bool:
        """Writes all that was ordered, ends the watch at at_ns and lets go of the file; whether it did so in time."""
        self._ended_ns = at_ns
        self._stopping.set()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def is_alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def chunk(self, line: str, chunk: Chunk) -> None:
        """Raw bytes of a line."""
        self._order(lambda writer: writer.add_chunk(line, chunk))

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

    def tuned(self, row: TuningRow) -> None:
        """A port listens at another setting."""
        self._order(lambda writer: writer.add_tuning(row))

    def date(self, utc_minus_mono_ns: int, uncertainty_s: float) -> None:
        """The line has told the time."""
        self._order(lambda writer: writer.date_watch(utc_minus_mono_ns, uncertainty_s))

    def _order(self, order: Order) -> None:
        try:
            self._orders.put_nowait(order)
        except queue.Full:
            self.dropped += 1

    def _run(self) -> None:
        writer = self._open()
        if writer is None:
            return
        try:
            self._write(writer)
        finally:
            try:
                writer.close()
            except _TROUBLES:
                log.exception("history could not be closed in good order")

    def _open(self) -> HistoryWriter | None:
        """The writer with its watch begun, tried until it works; None where a stop came first."""
        while True:
            try:
                return self._begin()
            except _TROUBLES as trouble:
                self._trouble(trouble)
            until_ns = self._clock() + int(RETRY_S * 1e9)
            while self._clock() < until_ns:
                self.heartbeat_ns = self._clock()
                if self._stopping.wait(_TURN_S):
                    return None

    def _begin(self) -> HistoryWriter:
        writer = HistoryWriter(self._path)
        try:
            self.watch_id = writer.begin_watch(self._start)
        except BaseException:
            writer.close()
            raise
        self.says = ""
        return writer

    def _write(self, writer: HistoryWriter) -> None:
        commit_ns = self._clock() + int(COMMIT_S * 1e9)
        while not (self._stopping.is_set() and self._orders.empty()):
            self.heartbeat_ns = now_ns = self._clock()
            with contextlib.suppress(queue.Empty):
                order = self._orders.get(timeout=max(0.0, min(_TURN_S, (commit_ns - now_ns) / 1e9)))
                self._carry_out(order, writer)
            if self._clock() >= commit_ns:
                self._carry_out(HistoryWriter.commit, writer)
                commit_ns = self._clock() + int(COMMIT_S * 1e9)
        self._carry_out(lambda writer: writer.end_watch(self._ended_ns), writer)

    def _carry_out(self, order: Order, writer: HistoryWriter) -> None:
        try:
            order(writer)
            if order is HistoryWriter.commit:
                self.says = ""
        except _TROUBLES as trouble:
            self._trouble(trouble)

    def _trouble(self, trouble: Exception) -> None:
        says = f"History cannot be written: {trouble}. Judging and lamps go on."
        if says != self.says:
            log.error(says)
        self.says = says
