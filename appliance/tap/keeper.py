"""The keeper: the thread that owns the write connection of history. It batches, and outlives a card in trouble."""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from appliance.history.aside import set_aside
from appliance.history.rows import (
    HistoryDamaged,
    HistoryNewer,
    MarkRow,
    WatchStart,
)
from appliance.history.space import Space
from appliance.history.writer import HistoryWriter
from appliance.tap.orders import TROUBLES, Order, Orders

SECURE_S = 2.0
"""Seconds of traffic that are brought onto the card at a time: with the time that it takes, what a power cut may cost,
which is to stay below 3 s. Our choice; shorter wears the card more."""
COMMIT_S = 120.0
"""Seconds of traffic a commit holds, unless there is more to keep than traffic. Our choice: half of that writes up to a
quarter more (tests/endurance/card_wear.py), and for so long the front page's strip does not know of it."""
RETRY_S = 5.0
STALL_SAID_S = 3.0
"""A card that takes longer over one call than this is said to be slow. Our choice; a sound one takes some 10 ms."""
STALL_MOST_S = 600.0
"""A call of the system cannot be called off, so a thread that waits for the card lives; but not for ever. Our choice:
longer than any card in use was seen to take, and than writing a full history anew."""
_TURN_S = 0.2

log = logging.getLogger("linelamp.keeper")


class Keeper(Orders):
    """Takes orders from the core, never blocks it, and writes them in batches from a thread of its own.

    watch_id: of the watch in history, None until it has begun there.
    """

    def __init__(
        self,
        path: Path,
        start: WatchStart,
        space: Space | None = None,
        *,
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__()
        self.watch_id: int | None = None
        self._path = path
        self._start = start
        self._space = space
        self._clock = clock
        self._beat_ns = clock()
        self._at_card_ns: int | None = None  # since when it waits for the card
        self._trouble_says = self._full_says = self._aside_says = self._lost_says = ""
        self._stopping = threading.Event()
        self._ended_ns = self._commit_ns = start.started_ns
        self._renewal: tuple[int, WatchStart] | None = None
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)

    @property
    def says(self) -> str:
        """What is wrong with history, or ""."""
        parts = (self._stall_says(), self._trouble_says, self._full_says, self._lost_says, self._aside_says)
        return " ".join(part for part in parts if part)

    @property
    def heartbeat_ns(self) -> int:
        """When it last showed life. While it waits for the card it is taken for alive, up to STALL_MOST_S."""
        now_ns, since_ns = self._clock(), self._at_card_ns
        waits = since_ns is not None and now_ns - since_ns < STALL_MOST_S * 1e9
        return now_ns if waits else self._beat_ns

    def start(self) -> None:
        """Begins the watch in history, as soon as history lets it."""
        self._thread.start()

    def stop(self, at_ns: int, timeout_s: float) -> bool:
        """Writes all that was ordered, ends the watch at at_ns and lets go of the file; whether it did so in time."""
        self._ended_ns = at_ns
        self._stopping.set()
        self._called.set()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def is_alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def renew(self, at_ns: int, start: WatchStart) -> None:
        """Ends the watch at at_ns and begins another; what is ordered from now on belongs to that one."""
        self.watch_id = None
        self._order(lambda _writer: setattr(self, "_renewal", (at_ns, start)), must=True)

    def try_card(self, how: Callable[[Path], None]) -> None:
        """Does something in the folder of the history, in the keeper's thread, which may wait for the card."""
        self._order(lambda _writer: how(self._path.parent))

    def catch_up(self) -> threading.Event:
        """Commits what is only in the tail so far, since somebody is about to read; no oftener than each SECURE_S.

        The event is set once that is so, or has failed.
        """
        done = threading.Event()

        def carry_out(writer: HistoryWriter) -> None:
            try:
                if self._clock() >= self._commit_ns - int((COMMIT_S - SECURE_S) * 1e9):
                    writer.commit()
                    self._commit_ns = self._clock() + int(COMMIT_S * 1e9)
            finally:
                done.set()

        self._order(carry_out)
        return done

    def _run(self) -> None:
        writer = self._open()
        if writer is None:
            return
        try:
            writer = self._write(writer)
        finally:
            self._close(writer)

    def _close(self, writer: HistoryWriter) -> None:
        try:
            with self._at_card():
                writer.close()
        except TROUBLES:
            log.exception("history could not be closed in good order")

    def _open(self) -> HistoryWriter | None:
        """The writer with its watch begun, tried until it works; None where a stop came first."""
        while True:
            try:
                with self._at_card():
                    return self._begin()
            except (HistoryDamaged, HistoryNewer) as trouble:
                self._trouble(trouble)
                if self._set_aside(trouble):
                    continue
            except TROUBLES as trouble:
                self._trouble(trouble)
            if self._stopped_meanwhile():
                return None

    def _stopped_meanwhile(self) -> bool:
        """Waits until it is to be tried again; whether a stop came first."""
        until_ns = self._clock() + int(RETRY_S * 1e9)
        while self._clock() < until_ns:
            self._beat_ns = self._clock()
            if self._stopping.wait(_TURN_S):
                return True
        return False

    def _begin(self) -> HistoryWriter:
        writer = HistoryWriter(self._path, self._space)
        try:
            self.watch_id = writer.begin_watch(self._start)
            if self._aside_says:
                writer.add_mark(MarkRow(self._clock(), "box", self._aside_says))
                writer.commit()
        except BaseException:
            writer.close()
            raise
        self._trouble_says = ""
        return writer

    def _write(self, writer: HistoryWriter) -> HistoryWriter:
        """Carries out orders until a stop and the last of them; gives the writer, which may be another by then."""
        secure_ns = self._clock() + int(SECURE_S * 1e9)
        self._commit_ns = self._clock() + int(COMMIT_S * 1e9)
        while not (self._stopping.is_set() and self._orders.empty()):
            self._beat_ns = now_ns = self._clock()
            self._called.wait(max(0.0, min(_TURN_S, (secure_ns - now_ns) / 1e9)))
            self._called.clear()
            for _ in range(self._orders.qsize()):  # what comes meanwhile has called again
                self._carry_out(self._orders.get_nowait(), writer)
                if self._renewal is not None:
                    writer = self._renew(writer, *self._renewal)
                if self._clock() >= secure_ns:  # however much waits: what is brought in at once must fit the card
                    self._called.set()
                    break
            if (now_ns := self._clock()) >= secure_ns:
                secure_ns = now_ns + int(SECURE_S * 1e9)  # from its beginning, so that slow ones fall due
                if now_ns >= self._commit_ns or not self._secure(writer):
                    writer = self._commit(writer)
        self._carry_out(lambda writer: writer.end_watch(self._ended_ns), writer)
        return writer

    def _secure(self, writer: HistoryWriter) -> bool:
        try:
            with self._at_card():
                return writer.secure()
        except TROUBLES as trouble:
            self._trouble(trouble)
            return False

    def _commit(self, writer: HistoryWriter) -> HistoryWriter:
        self._commit_ns = self._clock() + int(COMMIT_S * 1e9)
        try:
            with self._at_card():
                writer.commit()
            self._trouble_says = ""
        except HistoryDamaged as trouble:
            self._trouble(trouble)
            return self._anew(writer, trouble)
        except TROUBLES as trouble:
            self._trouble(trouble)
        self._carry_out(self._make_room, writer)
        self._carry_out(HistoryWriter.catch_up, writer)
        if writer.lost_bytes or writer.lost_rows:
            self._lost_says = (
                f"{writer.lost_bytes} bytes and {writer.lost_rows} entries could not be kept in history, "
                "because it could not be written for too long."
            )
        return writer

    def _renew(self, writer: HistoryWriter, ended_ns: int, start: WatchStart) -> HistoryWriter:
        """Ends the watch and begins the next, tried until it works; what is ordered meanwhile waits in the queue.

        Where a stop comes first it is tried once more. What was ordered for a watch that could not begin is refused by
        the writer: it belongs to no other.
        """
        self._renewal, ended, last = None, False, False
        while True:
            try:
                with self._at_card():
                    if not ended:
                        writer.end_watch(ended_ns)
                    ended, self._start = True, start
                    self.watch_id = writer.begin_watch(start)
                self._trouble_says = ""
                return writer
            except HistoryDamaged as trouble:
                self._trouble(trouble)
                writer = self._anew(writer, trouble)  # with what waited of the watch that ends, and that watch anew
                if ended:
                    return writer
            except TROUBLES as trouble:
                self._trouble(trouble)
                if last:
                    log.error("%d entries of a watch that could not begin are not kept", self._orders.qsize())
                    return writer
                last = self._stopped_meanwhile()

    def _make_room(self, writer: HistoryWriter) -> None:
        self._full_says = writer.make_room()

    def _anew(self, writer: HistoryWriter, trouble: HistoryDamaged) -> HistoryWriter:
        """A new history in the place of the damaged one, with what could not be written; the old writer if none."""
        pending = writer.release()
        if not self._set_aside(trouble):
            log.error("the damaged history cannot be set aside; it is tried again")
        opened = self._open()
        if opened is None:
            return writer
        opened.take_over(pending)
        return opened

    def _set_aside(self, trouble: HistoryDamaged | HistoryNewer) -> bool:
        try:
            with self._at_card():
                aside = set_aside(self._path, "newer" if isinstance(trouble, HistoryNewer) else "damaged")
        except OSError as error:
            self._trouble(error)
            return False
        self._aside_says = f"{trouble} It was set aside, whole, as {aside.name}, and a new history was begun."
        log.error(self._aside_says)
        return True

    def _carry_out(self, order: Order, writer: HistoryWriter) -> None:
        try:
            with self._at_card():
                order(writer)
        except TROUBLES as trouble:
            self._trouble(trouble)

    @contextlib.contextmanager
    def _at_card(self) -> Iterator[None]:
        self._at_card_ns = self._clock()
        try:
            yield
        finally:
            self._beat_ns = self._clock()
            self._at_card_ns = None

    def _stall_says(self) -> str:
        since_ns = self._at_card_ns
        waited_s = 0.0 if since_ns is None else (self._clock() - since_ns) / 1e9
        if waited_s < STALL_SAID_S:
            return ""
        return f"History has waited {waited_s:.0f} s for the card to write. Judging and lamps go on."

    def _trouble(self, trouble: Exception) -> None:
        says = f"History cannot be written: {trouble}. Judging and lamps go on."
        if says != self._trouble_says:
            log.error(says)
        self._trouble_says = says
