"""Writes history: rows are held in memory and go into the file together, in one short transaction a commit.

An SD card wants few and large writes. So the owner hands over whatever comes, calls secure() every few seconds, which
brings it onto the card beside history (tail.py), and commit() every other minute, where secure() says so, and before it
stops, and make_room() after it. A power cut costs what came since the last of either that returned. One thread owns a
writer.
"""

from __future__ import annotations

import contextlib
import random
import sqlite3
from pathlib import Path
from types import TracebackType

from appliance.history import entries, summaries, tail
from appliance.history.aside import look_over
from appliance.history.erase import erase, erase_aside, set_aside_of
from appliance.history.job import Job
from appliance.history.pending import FaultChange, LossChange, Pending
from appliance.history.rows import (
    BoxRow,
    FaultRow,
    HistoryError,
    HistoryFull,
    LossRow,
    MarkRow,
    SecondRow,
    TuningRow,
    WatchStart,
)
from appliance.history.schema import line_number, open_writing, plain_errors, transaction
from appliance.history.space import Space, make_room
from appliance.history.steps import LAST_NS
from appliance.sentence.chunk import Chunk

STOPPED = "stopped"
CUT_OFF = "cut off"
GENERATIONS = 2**31 - 2
PART_BYTES, PART_LEAST_BYTES = 256 * 1024, 16 * 1024
"""Written in one transaction: less than is held free for it (see space), more than two minutes of the usual set."""


class HistoryWriter:
    """The one writer of the history at `path`, which is made if need be.

    Everything that touches the file raises HistoryError when it fails; what was handed over is then kept for the
    next commit, as far as memory allows (see lost_bytes, lost_rows).
    """

    def __init__(self, path: Path | str, space: Space | None = None) -> None:
        self.path = Path(path)
        self._space = space or Space()
        self._pending = Pending()
        self._watch: int | None = None
        self._known = entries.Known()
        self._behind: list[int] = []
        self._db = open_writing(self.path)
        self._tail = tail.Tail(self.path)
        self._dated_ns: int | None = None

    @property
    def lost_bytes(self) -> int:
        """Raw bytes let go because the file could not be written for too long."""
        return self._pending.lost_bytes

    @property
    def lost_rows(self) -> int:
        """Seconds, faults, losses and marks let go for the same reason."""
        return self._pending.lost_rows

    def begin_watch(self, start: WatchStart) -> int:
        """Begin a watch at once and give its id. A watch that never ended is closed first, as cut off.

        HistoryDamaged if the cut has left the file unsound.
        """
        if self._watch is not None:
            self.commit()
        with plain_errors(self.path):
            cut_off = self._db.execute("SELECT id FROM watch WHERE ended_ns IS NULL").fetchall()
            if cut_off:
                look_over(self._db, self.path)
        generation = self._generation()
        with plain_errors(self.path), transaction(self._db):
            ids = {unended for (unended,) in cut_off}
            entries.write_tail(self._db, [one for one in tail.read(self.path, generation) if one.watch in ids])
            self._next_generation(generation)
            for unended in ids:
                last_ns = self._db.execute(LAST_NS, {"id": unended}).fetchone()[0]
                entries.end(self._db, unended, last_ns, CUT_OFF)
            watch = entries.insert(
                self._db,
                "watch",
                started_ns=start.started_ns,
                box_utc_ns=start.box_utc_ns,
                needs_name=start.needs_name,
                needs_toml=start.needs_toml,
                machine=start.machine,
                version=start.version,
            )
            self._behind = summaries.behind(self._db)
        self._watch, self._known, self._dated_ns = watch, entries.Known(), None
        self._begin_tail()
        return watch

    def add_chunk(self, line: str, chunk: Chunk) -> None:
        """Raw bytes of a line, in the order received."""
        line_number(line)
        self._begun().add_chunk(line, chunk)
        self._tail.add_chunk(line, chunk)

    def add_second(self, row: SecondRow) -> None:
        """A line's measures over one second; a second written twice counts once, as written last."""
        line_number(row.line)
        self._begun().add_second(row)
        self._tail.add_second(row)

    def open_fault(self, key: str, row: FaultRow) -> None:
        """A fault that has begun. key: any name that is the caller's own for it until it closes."""
        self._begun().add_fault(FaultChange(key, row, closes=False))

    def close_fault(self, key: str, row: FaultRow) -> None:
        """The same fault, ended: all of its row replaces what was known; its clips are added to those kept."""
        self._begun().add_fault(FaultChange(key, row, closes=True))

    def open_loss(self, key: str, row: LossRow) -> None:
        """The controller would have lost its position or speed. key: the caller's own for it until it closes."""
        self._begun().add_loss(LossChange(key, row, closes=False))

    def close_loss(self, key: str, row: LossRow) -> None:
        """The same loss, ended: all of its row replaces what was known."""
        self._begun().add_loss(LossChange(key, row, closes=True))

    def add_mark(self, row: MarkRow) -> None:
        """A moment that somebody marked."""
        self._begun().add_mark(row)

    def add_tuning(self, row: TuningRow) -> None:
        """The port of a line listens at another setting from now on."""
        self._begun().add_tuning(row)

    def add_box(self, row: BoxRow) -> None:
        """How the box itself is from now on."""
        self._begun().add_box(row)

    def date_watch(self, utc_minus_mono_ns: int, uncertainty_s: float) -> None:
        """The line has told the time, which dates the whole watch, what came before included. May be said again."""
        self._begun().dating = (utc_minus_mono_ns, uncertainty_s)

    def secure(self) -> bool:
        """Bring raw traffic and seconds onto the card without a commit; False where only a commit can do it.

        That is where there is more than these two, or than the tail takes, or where it cannot be written.
        """
        if self._pending.empty:
            return True
        if self._watch is None or self._pending.eventful(self._dated_ns):
            return False
        generation = self._generation()
        try:
            secured = self._tail.secure(self._watch, generation)
        except OSError as error:
            raise HistoryError(f"The tail of {self.path} cannot be written: {error.strerror or error}.") from error
        if secured:
            self._pending.secured()
        return secured

    def commit(self) -> None:
        """Write all that was handed over, each entry whole or not at all.

        What has waited long is much: it is written in parts, each with room made for it, which a card that is nearly
        full still takes, and smaller ones where it does not.
        """
        most = PART_BYTES
        while not self._pending.empty:
            part = self._pending.oldest(most)
            try:
                self._write(part)
            except HistoryFull:
                most = min(most, part.size) // 2
                if most < PART_LEAST_BYTES:
                    raise
                continue
            if not self._pending.empty:
                self._tail.skip()
                self.make_room()

    def _write(self, part: Pending) -> None:
        watch = self._watch
        assert watch is not None  # nothing can be pending before a watch has begun
        packed = entries.pack(part)  # outside the transaction, which is to be short
        known, generation = self._known.copy(), self._generation()
        with plain_errors(self.path), transaction(self._db):
            entries.write(self._db, watch, part, packed, known)
            if part.ended_ns is not None:
                entries.end(self._db, watch, part.ended_ns, STOPPED)
            self._next_generation(generation)
        self._tail.begin()
        self._known = known
        if part.dating is not None:
            self._dated_ns = part.dating[0]
        if part.ended_ns is not None:
            self._watch = None
        self._pending.drop(part)

    def make_room(self) -> str:
        """Drop some of what is oldest, if history has no room left; gives what to do about it, or ""."""
        with plain_errors(self.path):
            return make_room(self._db, self.path, self._space, self._watch)

    def catch_up(self) -> None:
        """Sum up some of what was written before there were summaries, the newest watch first."""
        if self._behind:
            with plain_errors(self.path), transaction(self._db):
                more = summaries.sum_up(self._db, self._behind[-1], over=True)
            if not more:
                self._behind.pop()

    def give_job(self, watch_id: int | None, job: Job, changed_utc_ns: int) -> None:
        """Give a job to a watch, or to the one under way; at once. HistoryError if there is no such watch."""
        if watch_id is None:
            self._begun()
        watch = self._watch if watch_id is None else watch_id
        with plain_errors(self.path), transaction(self._db):
            if not self._db.execute("SELECT count(*) FROM watch WHERE id = ?", (watch,)).fetchone()[0]:
                raise HistoryError(f"There is no watch {watch_id} in the history {self.path}.")
            entries.job(self._db, watch, job, changed_utc_ns)

    def erase(self, watch_id: int | None) -> None:
        """Erase a watch, or all and every file set aside, from the file, its log and its free pages. It takes a while.

        Of the watch under way goes what there is so far. HistoryError if there is no such watch, or if something is
        left that must be erased once more: where, and how, is told.
        """
        self.commit()
        with plain_errors(self.path):
            ids = [row[0] for row in self._db.execute("SELECT id FROM watch").fetchall()]
            if watch_id is not None and watch_id not in ids:
                raise HistoryError(f"There is no watch {watch_id} in the history {self.path}.")
            chosen = ids if watch_id is None else [watch_id]
            before_ns = 0
            if self._watch in chosen:
                before_ns = self._db.execute(LAST_NS, {"id": self._watch}).fetchone()[0] + 1
            self._tail.wipe()
            erase(self._db, self.path, chosen, self._watch, before_ns)
            if watch_id is None:
                erase_aside(self.path)
            elif held := set_aside_of(self.path):
                raise HistoryError(
                    f"It is gone from {self.path.name}, but {' and '.join(one.name for one in held)}, set aside as "
                    "damaged, may hold it too. Erase all to be rid of that as well."
                )

    def take_over(self, pending: Pending) -> None:
        """Go on with what another writer could not write; its faults and losses begin anew here."""
        self._pending = pending
        pending.unsecured()
        self._tail.skip()
        pending.ended_ns = None  # an end that could not be written was that of another watch

    def release(self) -> Pending:
        """Let go of a file that fails, as it is; gives what has not been written."""
        pending, self._pending = self._pending, Pending()
        with contextlib.suppress(sqlite3.Error, OSError):
            self._tail.close()
            self._db.close()
        return pending

    def end_watch(self, at_ns: int) -> None:
        """End the watch in good order and commit. Faults and losses still on end with it.

        Where it fails, the watch takes nothing more; asked again, it is tried again, and has ended when it first had.
        """
        if self._pending.ended_ns is None:
            self._begun().ended_ns = at_ns
        self.commit()

    def close(self) -> None:
        """Commit what is pending and let go of the file. The file is let go even if the commit fails."""
        try:
            self.commit()
        finally:
            with plain_errors(self.path):
                self._tail.close()
                self._db.close()

    def __enter__(self) -> HistoryWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _generation(self) -> int:
        with plain_errors(self.path):
            return int(self._db.execute("PRAGMA user_version").fetchone()[0])

    def _next_generation(self, generation: int) -> None:
        """In the transaction that puts into history what the tail holds. The first is drawn, so that no two files'
        generations meet."""
        following = generation % GENERATIONS + 1 if generation else random.SystemRandom().randrange(1, GENERATIONS)
        self._db.execute(f"PRAGMA user_version = {following}")

    def _begin_tail(self) -> None:
        """Without a tail there are only more commits, so it is tried and no more."""
        with contextlib.suppress(OSError):
            if not self._tail.usable:
                self._tail.open()
        self._tail.begin()

    def _begun(self) -> Pending:
        if self._watch is None or self._pending.ended_ns is not None:
            raise HistoryError("No watch has begun, so there is nothing that this could belong to.")
        return self._pending
