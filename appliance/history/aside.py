"""Sets a history aside that is damaged, or newer than the program, whole, under a name that tells it, so that a new one
can begin in its place."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from pathlib import Path

from sqlite_utils import Database

from appliance.history.rows import HistoryDamaged
from appliance.history.tail import beside

CHECK_S = 5.0
"""The longest that a history is looked over at a start after a cut. Our choice: a card reads some 100 MB in it."""
_STEPS = 10_000


def set_aside(path: Path, why: str = "damaged") -> Path:
    """Give the file, its log and its tail another name. Where it lies now. OSError if the folder does not let us."""
    aside = _free_name(path, why)
    wal = path.with_name(path.name + "-wal")
    if wal.exists():  # first, since a log without its file would be thrown away at the next start
        wal.rename(aside.with_name(aside.name + "-wal"))
    path.rename(aside)
    if beside(path).exists():
        beside(path).rename(beside(aside))
    with contextlib.suppress(FileNotFoundError):
        path.with_name(path.name + "-shm").unlink()
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return aside


def look_over(db: Database, path: Path) -> None:
    """HistoryDamaged if the tables of the file do not hang together, as far as CHECK_S goes."""
    end_s = time.monotonic() + CHECK_S
    db.conn.set_progress_handler(lambda: time.monotonic() > end_s, _STEPS)
    try:
        (found,) = db.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_INTERRUPT:
            raise
        found = "ok"  # the time was over, and nothing had been found
    finally:
        db.conn.set_progress_handler(None, 0)
    if found != "ok":
        raise HistoryDamaged(f"The history {path} is damaged: {' '.join(str(found).split())}.")


def _free_name(path: Path, why: str) -> Path:
    """A log that has it without a file was renamed alone, as power or the folder failed: it waits for its file, and is
    not to be overwritten by another log."""
    number = 1
    while (aside := path.with_name(f"{path.name}.{why}-{number}")).exists() or all(map(_has_log, (path, aside))):
        number += 1
    return aside


def _has_log(path: Path) -> bool:
    return path.with_name(path.name + "-wal").exists()
