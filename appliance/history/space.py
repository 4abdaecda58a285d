"""Makes room: keeps history within its cap, and keeps it from growing where the card has little left.

Raw traffic goes first, oldest first, then seconds, then faults, losses and marks; of each watch it is kept up to when
something is gone. Seconds go no further than raw traffic has gone, and faults no further than seconds, and while raw
traffic is down to a quarter of all, what is older than it goes before it: else a long life of small things would
leave no room for the traffic of today.

Each turn is one short transaction, and a commit is followed by few of them. They free pages, which the next commits
use; a file that may not grow always has RESERVE_BYTES of them, so that there is something to write into when the card
is full to the last byte. Nothing is given up for others: where another program fills the card, history stops growing
and no more.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlite_utils import Database

from appliance.history.schema import WAL_BYTES_KEPT, transaction
from appliance.history.summaries import MINUTE_NS
from appliance.history.tail import TAIL_BYTES

RESERVE_BYTES = 512 * 1024  # ten minutes of the usual set and more; a card that is full is seen to in seconds
GROW_BYTES = 256 * 1024  # how much is left when it counts as full: more than one commit writes
TURNS_MOST = 4  # transactions after a commit: frees more than a commit of two lines at 460,800 baud can take
BATCH_BYTES = 256 * 1024  # of raw traffic in a transaction: some ms, and some minutes of the usual set
BLOCKS_BATCH = 200
EVENTS_BATCH = 20  # faults with their evidence, losses, marks
SECONDS_BATCH = 1000
BLOCKS_KEPT = 4  # of each line two: minutes where nothing happens, some seconds where much does
BLOCK_NS = 300 * 1_000_000_000  # a block spans less than this
_BOX_OVER = """(watch < :watch OR EXISTS (
    SELECT 1 FROM box WHERE watch = old.watch AND at_ns > old.at_ns AND at_ns <= :at_ns))"""  # the last row holds on
_Turn = Callable[[Database, int | None], bool]
_OF_A_WATCH = ("block", "second", "fault", "loss", "mark", "tuning", "minute", "way", "box")


@dataclass(slots=True, frozen=True)
class Space:
    """most_bytes: what history may take, log and all. free_least_bytes: what is to be left on its file system."""

    most_bytes: int = 2_000_000_000
    free_least_bytes: int = 500_000_000


@dataclass(slots=True, frozen=True)
class Taken:
    """How the file stands, in bytes. size: with its log. spare: of it free for use. growth: how much it may grow."""

    size: int
    spare: int
    growth: int
    card_left: int | None

    @property
    def room(self) -> bool:
        """Whether the next commits have room."""
        return self.growth >= GROW_BYTES or self.spare >= RESERVE_BYTES


def taken(db: Database, path: Path, space: Space) -> Taken:
    """How the file of db stands just now."""
    page, count, free = (
        int(db.execute(f"PRAGMA {name}").fetchone()[0]) for name in ("page_size", "page_count", "freelist_count")
    )
    disk = os.statvfs(path)
    size = page * count + WAL_BYTES_KEPT + TAIL_BYTES
    wal = path.with_name(path.name + "-wal")
    log_growth = max(0, WAL_BYTES_KEPT - (wal.stat().st_size if wal.exists() else 0))
    free_bytes = disk.f_bavail * disk.f_frsize
    left = free_bytes - log_growth - space.free_least_bytes
    growth = min(space.most_bytes - size, left)
    spare = page * free
    if size - spare > space.most_bytes:  # the cap was made smaller: it is what is in use that must come down
        spare = 0
    return Taken(size, spare, growth, free_bytes if left < GROW_BYTES else None)


def make_room(db: Database, path: Path, space: Space, watch: int | None) -> str:
    """Drop some of what is oldest if there is need; gives what somebody should do about it, or "".

    watch: the one under way.
    """
    for _ in range(TURNS_MOST):
        stands = taken(db, path, space)
        if stands.room:
            break
        first: list[_Turn] = [_drop_raw] if _raw_bytes(db) > path.stat().st_size // 4 else []
        if not any(_in_one(db, turn, watch) for turn in (*first, _drop_seconds, _drop_events, _drop_raw)):
            return "History has no room and nothing old to drop. Make room on the card, or allow it more."
    if stands.card_left is None:
        return ""
    return (
        f"The card has {stands.card_left / 1e6:.0f} MB left and {space.free_least_bytes / 1e6:.0f} MB are to stay "
        "free, so history grows no more and drops what is oldest. Make room on the card."
    )


def tell_gone(db: Database, watch: int, what: str, before_ns: int) -> None:
    """Keep that of a watch what is older than before_ns is not all there any more."""
    db.execute(
        """INSERT INTO gone VALUES (?, ?, ?)
        ON CONFLICT (watch, what) DO UPDATE SET before_ns = max(before_ns, excluded.before_ns)""",
        (watch, what, before_ns),
    )


def _raw_bytes(db: Database) -> int:
    """What raw traffic takes, about, by the size of the oldest and the newest blocks."""
    ends = " UNION ALL ".join(
        f"SELECT * FROM (SELECT length(packed) AS n FROM block ORDER BY id {way} LIMIT 25)" for way in ("ASC", "DESC")
    )
    (mean,) = db.execute(f"SELECT coalesce(avg(n), 0) FROM ({ends})").fetchone()
    return int(mean * _count(db, "block"))


def _count(db: Database, table: str) -> int:
    """How many rows about: they come and go in the order of their ids."""
    least, most = db.execute(f"SELECT (SELECT min(id) FROM {table}), (SELECT max(id) FROM {table})").fetchone()
    return 0 if least is None else int(most - least + 1)


def _in_one(db: Database, turn: _Turn, watch: int | None) -> bool:
    with transaction(db):
        return turn(db, watch)


def _drop_raw(db: Database, _watch: int | None) -> bool:
    """The oldest blocks, up to BATCH_BYTES of them."""
    most = min(BLOCKS_BATCH, _count(db, "block") - BLOCKS_KEPT)
    sql = "SELECT id, watch, end_ns, length(packed) FROM block ORDER BY id LIMIT ?"
    told, last, size = dict[int, int](), 0, 0
    for block, watch, end_ns, packed in db.execute(sql, (max(0, most),)).fetchall():
        told[watch] = max(told.get(watch, end_ns), end_ns)
        size += packed
        last = block
        if size >= BATCH_BYTES:
            break
    db.execute("DELETE FROM block WHERE id <= ?", (last,))
    for watch, end_ns in told.items():
        tell_gone(db, watch, "raw", end_ns + 1)
    return bool(told)


def _drop_seconds(db: Database, _watch: int | None) -> bool:
    """The oldest seconds, none of them younger than the oldest raw bytes."""
    raw = db.execute("SELECT watch, end_ns FROM block ORDER BY id LIMIT 1").fetchone()
    if raw is None:
        return False
    rows = db.execute(
        "SELECT watch, second_ns FROM second WHERE (watch, second_ns) < (?, ?) ORDER BY watch, second_ns LIMIT ?",
        (raw[0], raw[1] - BLOCK_NS, SECONDS_BATCH),
    ).fetchall()
    if not rows:
        return False
    last = rows[-1]
    db.execute("DELETE FROM second WHERE (watch, second_ns) <= (?, ?)", last)
    for watch in sorted({watch for watch, _ in rows}):
        tell_gone(db, watch, "seconds", max(at_ns for one, at_ns in rows if one == watch) + 1_000_000_000)
    return True


def _drop_events(db: Database, current: int | None) -> bool:
    """The oldest faults, losses, marks and tunings that are over, none of them younger than the oldest second."""
    second = db.execute("SELECT watch, second_ns FROM second ORDER BY watch, second_ns LIMIT 1").fetchone()
    if second is None:
        return False
    dropped = False
    for table, at in (("fault", "start_ns"), ("loss", "start_ns"), ("mark", "at_ns"), ("tuning", "at_ns")):
        over = "end_ns IS NOT NULL" if at == "start_ns" else "1"
        rows = db.execute(
            f"SELECT watch, {at}, id FROM {table} WHERE (watch, {at}) < (?, ?) AND {over} ORDER BY watch, {at} LIMIT ?",
            (*second, EVENTS_BATCH),
        ).fetchall()
        for watch, at_ns, row in rows:
            if table == "fault":
                db.execute("DELETE FROM clip WHERE fault = ?", (row,))
            db.execute(f"DELETE FROM {table} WHERE id = ?", (row,))
            tell_gone(db, watch, "events", at_ns + 1)
        dropped = dropped or bool(rows)
    for table, over in (("minute", "1"), ("way", "1"), ("box", _BOX_OVER)):
        sql = f"""SELECT watch, at_ns FROM {table} AS old WHERE (watch, at_ns) < (:watch, :at_ns) AND {over}
            ORDER BY watch, at_ns LIMIT :most"""
        values = {"watch": second[0], "at_ns": second[1] - MINUTE_NS, "most": SECONDS_BATCH}
        if rows := db.execute(sql, values).fetchall():
            db.execute(f"DELETE FROM {table} WHERE (watch, at_ns) <= (?, ?)", rows[-1])
            dropped = True
    if not dropped:
        dropped = _drop_empty_watches(db, second[0], current)
    return dropped


def _drop_empty_watches(db: Database, before: int, current: int | None) -> bool:
    """Watches older than `before` of which nothing else is left."""
    left = " AND ".join(f"NOT EXISTS (SELECT 1 FROM {table} WHERE watch = seen.id)" for table in _OF_A_WATCH)
    sql = f"SELECT id FROM watch AS seen WHERE id < ? AND id IS NOT ? AND {left} LIMIT ?"
    empty = db.execute(sql, (before, current, EVENTS_BATCH)).fetchall()
    for row in empty:
        for table in ("gone", "summed", "job"):
            db.execute(f"DELETE FROM {table} WHERE watch = ?", row)
        db.execute("DELETE FROM watch WHERE id = ?", row)
    return bool(empty)
