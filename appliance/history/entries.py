"""Puts the rows of a watch into the tables, inside the transaction of whoever calls."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable
from dataclasses import asdict, dataclass, field

from sqlite_utils import Database

from appliance.history import blocks, summaries
from appliance.history.job import Job
from appliance.history.pending import FaultChange, LossChange, Pending
from appliance.history.rows import Clip, SecondRow
from appliance.history.schema import VERDICTS, line_number
from appliance.history.tail import Record

INTEGER_MOST = 2**62
JOBS_MOST = 50  # changes of one watch's job
TALLIES_MOST = 1000  # remembered; noise could make any number of them

Packed = list[tuple[int, blocks.Block]]


@dataclass(slots=True)
class Known:
    """What the rows of the watch under way are called in the file. It is true only once the transaction is over."""

    faults: dict[str, int] = field(default_factory=dict)
    losses: dict[str, int] = field(default_factory=dict)
    tallies: dict[str, int] = field(default_factory=dict)

    def copy(self) -> Known:
        tallies = self.tallies if len(self.tallies) <= TALLIES_MOST else {}
        return Known(dict(self.faults), dict(self.losses), dict(tallies))


def pack(pending: Pending) -> Packed:
    """The raw bytes as numbered lines and blocks."""
    return [
        (line_number(line), blocks.encode(batch))
        for line, chunks in pending.chunks.items()
        for batch in blocks.batches(chunks)
    ]


def write(db: Database, watch: int, pending: Pending, packed: Packed, known: Known) -> None:
    """All that is pending, the end of the watch left out. known is brought up to date as it goes."""
    _blocks(db, watch, packed)
    _seconds(db, watch, pending.seconds, known.tallies)
    for change in pending.faults:
        _fault(db, watch, known.faults, change)
    for loss in pending.losses:
        _loss(db, watch, known.losses, loss)
    for mark in pending.marks:
        insert(db, "mark", watch=watch, at_ns=mark.at_ns, source=mark.source, note=mark.note)
    for row in pending.tunings:
        setting, line = row.setting, line_number(row.line)
        insert(db, "tuning", watch=watch, line=line, at_ns=row.at_ns, baud=setting.baud, format=setting.name)
    for box in pending.boxes:
        values = (watch, box.at_ns, _scaled(box.temperature_c, 1), _scaled(box.supply_low, 1))
        db.execute("INSERT OR REPLACE INTO box VALUES (?, ?, ?, ?)", values)
    if pending.dating:
        db.execute("UPDATE watch SET utc_offset_ns = ?, uncertainty_s = ? WHERE id = ?", (*pending.dating, watch))


def write_tail(db: Database, records: Iterable[Record]) -> None:
    """What stood in the tail when the power was cut, block by block as it was secured."""
    for record in records:
        _blocks(db, record.watch, [(line, blocks.measured(packed)) for line, packed in record.blocks])
        _seconds(db, record.watch, record.seconds, {})


def end(db: Database, watch: int, at_ns: int, how: str) -> None:
    """End a watch, with all faults and losses that are still on."""
    db.execute("UPDATE watch SET ended_ns = ?, ended_how = ? WHERE id = ?", (at_ns, how, watch))
    summaries.sum_up(db, watch, over=True)
    for table in ("fault", "loss"):
        db.execute(f"UPDATE {table} SET end_ns = ? WHERE watch = ? AND end_ns IS NULL", (at_ns, watch))


def job(db: Database, watch: int | None, given: Job, changed_utc_ns: int) -> None:
    """The newest holds; JOBS_MOST of a watch are kept."""
    insert(db, "job", watch=watch, changed_utc_ns=changed_utc_ns, **asdict(given))
    db.execute(
        "DELETE FROM job WHERE watch = :watch AND id NOT IN "
        "(SELECT id FROM job WHERE watch = :watch ORDER BY id DESC LIMIT :most)",
        {"watch": watch, "most": JOBS_MOST},
    )


def insert(db: Database, table: str, **values: object) -> int:
    """Insert one row and give its id. Not Table.insert: that looks the table up anew for each row."""
    places = ", ".join(f":{name}" for name in values)
    row = db.execute(f"INSERT INTO {table} ({', '.join(values)}) VALUES ({places})", values).lastrowid
    assert row is not None
    return row


def _blocks(db: Database, watch: int, packed: Packed) -> None:
    db.conn.executemany(
        "INSERT INTO block (watch, line, end_ns, bytes, packed) VALUES (?, ?, ?, ?, ?)",
        [(watch, line, block.end_ns, block.size, block.packed) for line, block in packed],
    )


def _seconds(db: Database, watch: int, rows: Collection[SecondRow], tallies: dict[str, int]) -> None:
    db.conn.executemany(
        f"INSERT OR REPLACE INTO second VALUES ({', '.join('?' * 18)})",
        [_second(watch, row, _tally(db, tallies, row.messages)) for row in rows],
    )
    if rows:
        summaries.begin_again(db, watch, min(row.second_ns for row in rows))
        summaries.sum_up(db, watch)


def _tally(db: Database, tallies: dict[str, int], messages: dict[str, int]) -> int:
    """The id of these counts. Most seconds share theirs with others, so each is kept once."""
    text = json.dumps(messages, sort_keys=True, separators=(",", ":"))
    if text not in tallies:
        db.execute("INSERT OR IGNORE INTO tally (messages) VALUES (?)", (text,))
        tallies[text] = db.execute("SELECT id FROM tally WHERE messages = ?", (text,)).fetchone()[0]
    return tallies[text]


def _fault(db: Database, watch: int, faults: dict[str, int], change: FaultChange) -> None:
    row = change.row
    values: dict[str, object] = {
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
    fault = _keyed(db, "fault", faults, change, values)
    _clips(db, fault, row.evidence)


def _loss(db: Database, watch: int, losses: dict[str, int], change: LossChange) -> None:
    row = change.row
    values: dict[str, object] = {"watch": watch, "what": row.what, "start_ns": row.start_ns, "end_ns": row.end_ns}
    _keyed(db, "loss", losses, change, values)


def _keyed(
    db: Database, table: str, ids: dict[str, int], change: FaultChange | LossChange, values: dict[str, object]
) -> int:
    """Insert what is new by its key, else replace its row; forget the key where it closes. Gives the row's id."""
    row = ids.get(change.key)
    if row is not None:
        places = ", ".join(f"{name} = :{name}" for name in values)
        if not db.execute(f"UPDATE {table} SET {places} WHERE id = :id", {**values, "id": row}).rowcount:
            row = None  # dropped or erased meanwhile
    if row is None:
        row = insert(db, table, **values)
    if change.closes:
        ids.pop(change.key, None)
    else:
        ids[change.key] = row
    return row


def _clips(db: Database, fault: int, clips: Iterable[Clip]) -> None:
    for clip in clips:
        pieces: list[bytes | None] = [blocks.encode(batch).packed for batch in blocks.batches(clip.chunks)]
        for piece in pieces or [None]:  # silence is evidence too
            insert(db, "clip", fault=fault, label=clip.label, line=clip.line, packed=piece)


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
        _scaled(row.jitter_s, 1_000_000),
    )


def _scaled(value: float | None, scale: int) -> int | None:
    """As an integer of the column's unit; None for what no column can hold, since the line may say anything."""
    if value is None or not abs(value) < INTEGER_MOST / scale:
        return None
    return round(value * scale)
