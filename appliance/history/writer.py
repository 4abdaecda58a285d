"""Writes history: rows are held in memory and go into the file together, in one short transaction a commit.

An SD card wants few and large writes; a commit for each sentence cannot keep up. So the owner hands over whatever
comes, and calls commit() every few seconds and before it stops. A power cut costs what came since then. One thread
owns a writer.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType

from appliance.history import blocks
from appliance.history.pending import FaultChange, Pending
from appliance.history.rows import Clip, FaultRow, HistoryError, MarkRow, SecondRow, TuningRow, WatchStart
from appliance.history.schema import LAST_NS, VERDICTS, line_number, open_writing, plain_errors, transaction
from appliance.sentence.chunk import Chunk

INTEGER_MOST = 2**62
TALLIES_MOST = 1000  # remembered; noise could make any number of them
STOPPED = "stopped"
CUT_OFF = "cut off"


class HistoryWriter:
    """The one writer of the history at `path`, which is made if need be.

    Everything that touches the file raises HistoryError when it fails; what was handed over is then kept for the
    next commit, as far as memory allows (see lost_bytes, lost_rows).
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self._pending = Pending()
        self._watch: int | None = None
        self._open_faults: dict[str, int] = {}
        self._tallies: dict[str, int] = {}
        self._db = open_writing(self.path)

    @property
    def lost_bytes(self) -> int:
        """Raw bytes let go because the file could not be written for too long."""
        return self._pending.lost_bytes

    @property
    def lost_rows(self) -> int:
        """Seconds, faults and marks let go for the same reason."""
        return self._pending.lost_rows

    def begin_watch(self, start: WatchStart) -> int:
        """Begin a watch at once and give its id. A watch that never ended is closed first, as cut off."""
        if self._watch is not None:
            self.commit()
        with plain_errors(self.path), transaction(self._db):
            for (unended,) in self._db.execute("SELECT id FROM watch WHERE ended_ns IS NULL").fetchall():
                last_ns = self._db.execute(LAST_NS, {"id": unended}).fetchone()[0]
                self._end(unended, last_ns, CUT_OFF)
            watch = self._insert(
                "watch",
                started_ns=start.started_ns,
                box_utc_ns=start.box_utc_ns,
                needs_name=start.needs_name,
                needs_toml=start.needs_toml,
                machine=start.machine,
                version=start.version,
            )
        self._watch, self._open_faults = watch, {}
        return watch

    def add_chunk(self, line: str, chunk: Chunk) -> None:
        """Raw bytes of a line, in the order received."""
        line_number(line)
        self._begun().add_chunk(line, chunk)

    def add_second(self, row: SecondRow) -> None:
        """A line's measures over one second; a second written twice counts once, as written last."""
        line_number(row.line)
        self._begun().add_second(row)

    def open_fault(self, key: str, row: FaultRow) -> None:
        """A fault that has begun. key: any name that is the caller's own for it until it closes."""
        self._begun().add_fault(FaultChange(key, row, closes=False))

    def close_fault(self, key: str, row: FaultRow) -> None:
        """The same fault, ended: all of its row replaces what was known; its clips are added to those kept."""
        self._begun().add_fault(FaultChange(key, row, closes=True))

    def add_mark(self, row: MarkRow) -> None:
        """A moment that somebody marked."""
        self._begun().add_mark(row)

    def add_tuning(self, row: TuningRow) -> None:
        """The port of a line listens at another setting from now on."""
        self._begun().add_tuning(row)

    def date_watch(self, utc_minus_mono_ns: int, uncertainty_s: float) -> None:
        """The line has told the time, which dates the whole watch, what came before included. May be said again."""
        self._begun().dating = (utc_minus_mono_ns, uncertainty_s)

    def commit(self) -> None:
        """Write all that was handed over, whole or not at all."""
        if self._pending.empty:
            return
        watch = self._watch
        assert watch is not None  # nothing can be pending before a watch has begun
        packed = list(self._pack())  # outside the transaction, which is to be short
        open_faults, tallies = dict(self._open_faults), dict(self._tallies)
        with plain_errors(self.path), transaction(self._db):
            self._db.conn.executemany(
                "INSERT INTO block (watch, line, end_ns, bytes, packed) VALUES (?, ?, ?, ?, ?)",
                [(watch, line, block.end_ns, block.size, block.packed) for line, block in packed],
            )
            self._db.conn.executemany(
                f"INSERT OR REPLACE INTO second VALUES ({', '.join('?' * 17)})",
                [_second(watch, row, self._tally(tallies, row.messages)) for row in self._pending.seconds],
            )
            for change in self._pending.faults:
                self._write_fault(watch, open_faults, change)
            for mark in self._pending.marks:
                self._insert("mark", watch=watch, at_ns=mark.at_ns, source=mark.source, note=mark.note)
            for tuning in self._pending.tunings:
                setting = tuning.setting
                line = line_number(tuning.line)
                self._insert(
                    "tuning", watch=watch, line=line, at_ns=tuning.at_ns, baud=setting.baud, format=setting.name
                )
            if self._pending.dating:
                self._db.execute(
                    "UPDATE watch SET utc_offset_ns = ?, uncertainty_s = ? WHERE id = ?",
                    (*self._pending.dating, watch),
                )
            if self._pending.ended_ns is not None:
                self._end(watch, self._pending.ended_ns, STOPPED)
        self._open_faults = open_faults
        self._tallies = tallies if len(tallies) <= TALLIES_MOST else {}
        if self._pending.ended_ns is not None:
            self._watch = None
        self._pending.clear()

    def end_watch(self, at_ns: int) -> None:
        """End the watch in good order and commit. Faults still on end with it."""
        self._begun().ended_ns = at_ns
        self.commit()

    def close(self) -> None:
        """Commit what is pending and let go of the file. The file is let go even if the commit fails."""
        try:
            self.commit()
        finally:
            with plain_errors(self.path):
                self._db.close()

    def __enter__(self) -> HistoryWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _begun(self) -> Pending:
        if self._watch is None:
            raise HistoryError("No watch has begun, so there is nothing that this could belong to.")
        return self._pending

    def _pack(self) -> Iterator[tuple[int, blocks.Block]]:
        for line, chunks in self._pending.chunks.items():
            for batch in blocks.batches(chunks):
                yield line_number(line), blocks.encode(batch)

    def _tally(self, tallies: dict[str, int], messages: dict[str, int]) -> int:
        """The id of these counts. Most seconds share theirs with others, so each is kept once."""
        text = json.dumps(messages, sort_keys=True, separators=(",", ":"))
        if text not in tallies:
            self._db.execute("INSERT OR IGNORE INTO tally (messages) VALUES (?)", (text,))
            tallies[text] = self._db.execute("SELECT id FROM tally WHERE messages = ?", (text,)).fetchone()[0]
        return tallies[text]

    def _write_fault(self, watch: int, open_faults: dict[str, int], change: FaultChange) -> None:
        row = change.row
        values = {
            "watch": watch,
            "kind": row.kind,
            "line": row.line,
            "message": row.message,
            "start_ns": row.start_ns,
            "end_ns": row.end_ns,
            "says": row.says,
            "measured": row.measured,
            "needed": row.needed,
            "unit": row.unit,
        }
        fault = open_faults.get(change.key)
        if fault is None:
            fault = self._insert("fault", **values)
        else:
            places = ", ".join(f"{name} = :{name}" for name in values)
            self._db.execute(f"UPDATE fault SET {places} WHERE id = :id", {**values, "id": fault})
        self._write_clips(fault, row.evidence)
        if change.closes:
            open_faults.pop(change.key, None)
        else:
            open_faults[change.key] = fault

    def _write_clips(self, fault: int, clips: Iterable[Clip]) -> None:
        for clip in clips:
            pieces: list[bytes | None] = [blocks.encode(batch).packed for batch in blocks.batches(clip.chunks)]
            for piece in pieces or [None]:  # silence is evidence too
                self._insert("clip", fault=fault, label=clip.label, line=clip.line, packed=piece)

    def _end(self, watch: int, at_ns: int, how: str) -> None:
        self._db.execute("UPDATE watch SET ended_ns = ?, ended_how = ? WHERE id = ?", (at_ns, how, watch))
        self._db.execute("UPDATE fault SET end_ns = ? WHERE watch = ? AND end_ns IS NULL", (at_ns, watch))

    def _insert(self, table: str, **values: object) -> int:
        """Insert one row and give its id. Not Table.insert: that looks the table up anew for each row."""
        places = ", ".join(f":{name}" for name in values)
        statement = f"INSERT INTO {table} ({', '.join(values)}) VALUES ({places})"
        row = self._db.execute(statement, values).lastrowid
        assert row is not None
        return row


def _second(watch: int, row: SecondRow, tally: int) -> tuple[int | None, ...]:
    """In the order of the table's columns."""
    return (
        watch,
        row.second_ns,
        line_number(row.line),
        VERDICTS.index(row.verdict),
        row.bytes,
        row.sentences,
        row.damaged,
        row.junk,
        round(row.load_ratio * 1000),
        tally,
        _scaled(row.quality, 1),
        _scaled(row.satellites, 1),
        _scaled(row.hdop, 100),
        _scaled(row.age_s, 100),
        _scaled(row.latitude_deg, 10_000_000),
        _scaled(row.longitude_deg, 10_000_000),
        _scaled(row.speed_mps, 1000),
    )


def _scaled(value: float | None, scale: int) -> int | None:
    """As an integer of the column's unit; None for what no column can hold, since the line may say anything."""
    if value is None or not abs(value) < INTEGER_MOST / scale:
        return None
    return round(value * scale)
