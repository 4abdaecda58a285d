"""Erases watches so that nothing of them is left in the file, its log, its free pages, or files set aside.

Rows go in short transactions, and secure_delete overwrites them with zeros. A page that was once split may still hold
a copy of a row beside its live ones, and free pages what was dropped to make room, so the file is then written anew
(VACUUM), and the log emptied. The watch itself goes last: where power is cut in between, it is still listed and can be
erased again.

What a card keeps inside of itself, where it moves what is overwritten, no program can reach.
"""

from __future__ import annotations

import os
from pathlib import Path

from sqlite_utils import Database

from appliance.history.rows import HistoryError
from appliance.history.schema import WAL_BYTES_KEPT, transaction
from appliance.history.space import tell_gone

BATCH = 2000
_ROWS = {
    "block": "id IN (SELECT id FROM block WHERE watch = :watch LIMIT :batch)",
    "second": "(watch, second_ns, line) IN (SELECT watch, second_ns, line FROM second WHERE watch = :watch "
    "LIMIT :batch)",
    "clip": "id IN (SELECT clip.id FROM fault JOIN clip ON clip.fault = fault.id WHERE watch = :watch LIMIT :batch)",
    "fault": "id IN (SELECT id FROM fault WHERE watch = :watch LIMIT :batch)",
    "loss": "id IN (SELECT id FROM loss WHERE watch = :watch LIMIT :batch)",
    "minute": "(watch, line, at_ns, what) IN (SELECT watch, line, at_ns, what FROM minute WHERE watch = :watch "
    "LIMIT :batch)",
    "way": "(watch, at_ns) IN (SELECT watch, at_ns FROM way WHERE watch = :watch LIMIT :batch)",
    "job": "id IN (SELECT id FROM job WHERE watch = :watch LIMIT :batch)",
    "box": "(watch, at_ns) IN (SELECT watch, at_ns FROM box WHERE watch = :watch LIMIT :batch)",
    "mark": "id IN (SELECT id FROM mark WHERE watch = :watch LIMIT :batch)",
    "tuning": "id IN (SELECT id FROM tuning WHERE watch = :watch LIMIT :batch)",
}
_KEPT = ("tuning", "box")  # of the watch under way: what holds on until it changes, and tells no position


def erase(db: Database, path: Path, watches: list[int], current: int | None, before_ns: int) -> None:
    """Erase these watches; of the current one what there is of before before_ns, since it goes on.

    HistoryError where rows are gone but the file could not be written anew: what is to be done is told.
    """
    db.execute("PRAGMA secure_delete = ON").fetchall()
    try:
        for watch in watches:
            for table, where in _ROWS.items():
                if watch != current or table not in _KEPT:
                    _rows(db, table, where, watch)
        _anew(db, path)
        _forget(db, watches, current, before_ns)
    finally:
        db.execute("PRAGMA secure_delete = OFF").fetchall()
    _empty_log(db, path)


def _forget(db: Database, watches: list[int], current: int | None, before_ns: int) -> None:
    """The watches themselves, with their needs and machine; of the current one it is told what is gone."""
    with transaction(db):
        for watch in watches:
            if watch == current:
                for what in ("raw", "seconds", "events"):
                    tell_gone(db, watch, what, before_ns)
            else:
                db.execute("DELETE FROM gone WHERE watch = ?", (watch,))
                db.execute("DELETE FROM summed WHERE watch = ?", (watch,))
                db.execute("DELETE FROM watch WHERE id = ?", (watch,))


def set_aside_of(path: Path) -> list[Path]:
    """The files that were set aside of the history at path, damaged or newer, logs and tails among them."""
    return sorted(aside for why in ("damaged", "newer") for aside in path.parent.glob(f"{path.name}.{why}-*"))


def erase_aside(path: Path) -> None:
    """Overwrite and remove them."""
    for aside in set_aside_of(path):
        _overwrite(aside)
        aside.unlink()


def _rows(db: Database, table: str, where: str, watch: int) -> None:
    while True:
        with transaction(db):
            done = db.execute(f"DELETE FROM {table} WHERE {where}", {"watch": watch, "batch": BATCH}).rowcount
        if done < BATCH:
            return


def _anew(db: Database, path: Path) -> None:
    page, count, free = (
        int(db.execute(f"PRAGMA {name}").fetchone()[0]) for name in ("page_size", "page_count", "freelist_count")
    )
    needed = 2 * page * (count - free) + WAL_BYTES_KEPT  # a copy, and the log that it goes through
    disk = os.statvfs(path)
    if needed > disk.f_bavail * disk.f_frsize:
        _empty_log(db, path)
        raise HistoryError(
            f"What was erased is overwritten, but to write {path} anew without a trace of it, "
            f"{needed / 1e6:.0f} MB must be free on its disk. Make room there, or erase more, and erase once more."
        )
    _empty_log(db, path)  # first, so that the zeros are in the file before its end is cut off
    db.execute("VACUUM")
    _empty_log(db, path)


def _empty_log(db: Database, path: Path) -> None:
    """Move the log into the file, overwrite it with zeros, and cut it to nothing."""
    _checkpoint(db, path, "RESTART")
    wal = path.with_name(path.name + "-wal")
    if wal.exists():
        with transaction(db):  # nobody may write; and all of the log is in the file, so that nobody reads it
            _overwrite(wal)
    _checkpoint(db, path, "TRUNCATE")


def _checkpoint(db: Database, path: Path, how: str) -> None:
    (busy, _, _) = db.execute(f"PRAGMA wal_checkpoint({how})").fetchone()
    if busy:
        raise HistoryError(
            f"What was erased may still stand in the log of {path}, since somebody reads history just now. "
            "Erase once more."
        )


def _overwrite(path: Path) -> None:
    with path.open("r+b") as file:
        size = os.fstat(file.fileno()).st_size
        for at in range(0, size, 2**20):
            file.write(bytes(min(2**20, size - at)))
        file.flush()
        os.fsync(file.fileno())
