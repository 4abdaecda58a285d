"""How the file of history is opened, for writing and for reading.

One writer, many readers: write-ahead log, so that a page that reads never holds up the listening.

synchronous=FULL: the log is on the card when a commit returns. NORMAL would leave that to the system, and a cut of
power could cost all since the last checkpoint, which is minutes (SQLite documentation, "PRAGMA synchronous").

Pages of 1,024 bytes: each commit writes every page that it touches, so small ones halve what the card must take.

Free pages are used again, soon where history is at its cap; the file is not made shorter while the box listens (no
auto_vacuum), since that would rewrite a page of pointers with each new page, and move pages to and fro. Zeros over what
is dropped (secure_delete) are for erasing alone: at the cap they would be a quarter of all that is written.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlite_utils import Database, Migrations

from appliance.history.rows import HistoryDamaged, HistoryError, HistoryFull, HistoryNewer, State
from appliance.history.steps import APPLICATION_ID, STEPS, migrations

RECEIVER, CONTROLLER = "from-receiver", "from-controller"
LINES: tuple[str, ...] = (RECEIVER, CONTROLLER)  # kept as their place here; append only
VERDICTS: tuple[State, ...] = ("go", "wait", "no-go")  # kept as their place here, so that the greatest is the worst

BUSY_S = 5.0  # how long to wait for another writer; there should be none
PAGE_BYTES = 1024
WAL_PAGES = 2000  # 2 MB: moved into the file about every ten minutes at the usual set
WAL_BYTES_KEPT = 4 * 1024 * 1024
DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
NO_TEXT = "Could not decode to UTF-8"  # how Python tells of a text that is none; it has no code


def open_writing(path: Path | str) -> Database:
    """The history to write, made or brought up to date as needed. HistoryError if it is not ours, HistoryNewer."""
    path = Path(path)
    with plain_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        return _checked(_connect(f"{_uri(path)}?mode=rwc"), path, _make_writable)


def open_reading(path: Path | str) -> Database:
    """The history, read-only. HistoryError if it is missing, not ours, newer, or cannot be read where it lies."""
    path = Path(path)
    if not path.is_file():
        raise HistoryError(f"There is no history at {path}. It begins when the box first listens.")
    with plain_errors(path):
        try:
            return _checked(_connect(f"{_uri(path)}?mode=ro"), path, _only_read)
        except sqlite3.OperationalError:
            # A reader must be able to make the shared-memory file beside the history once the writer has closed
            # it, which a folder that we may not write forbids. With no log pending, the file alone is whole.
            wal = path.with_name(path.name + "-wal")
            if os.access(path.parent, os.W_OK) or not os.access(path, os.R_OK):
                raise
            if wal.exists() and wal.stat().st_size:
                raise HistoryError(
                    f"The history {path} was not closed and its folder cannot be written, so its last part cannot "
                    f"be read. Copy {path.name} and {wal.name} together to another folder and read them there."
                ) from None
            return _checked(_connect(f"{_uri(path)}?mode=ro&immutable=1"), path, _only_read)


@contextmanager
def transaction(db: Database) -> Iterator[None]:
    """BEGIN IMMEDIATE ... COMMIT, or ROLLBACK if anything is raised: closed in every case.

    Not Database.atomic(): that begins deferred, and a deferred transaction can fail half-way to get the lock.
    """
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        db.rollback()
        raise


@contextmanager
def plain_errors(path: Path | str) -> Iterator[None]:
    """SQLite's and the system's errors as HistoryError with the file's name."""
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the rest tells the kind more closely
        damaged = code in DAMAGED or str(error).startswith(NO_TEXT)
        kind = HistoryDamaged if damaged else HistoryFull if code == sqlite3.SQLITE_FULL else HistoryError
        raise kind(f"The history {path} fails: {error}.") from error
    except UnicodeDecodeError as error:  # SQLite's own words of a file that is damaged hold some of its bytes
        raise HistoryDamaged(f"The history {path} is damaged: its tables' names cannot be read.") from error
    except OSError as error:
        raise HistoryError(f"The history {path} cannot be opened: {error.strerror or error}.") from error


def line_number(line: str) -> int:
    """The place of a line in LINES. HistoryError for a name that is none."""
    if line not in LINES:
        raise HistoryError(f"{line!r} is not a line of this box; its lines are {' and '.join(LINES)}.")
    return LINES.index(line)


def _uri(path: Path) -> str:
    return path.resolve().as_uri()


def _connect(uri: str) -> Database:
    # isolation_level None: Python begins no transaction of its own. The owner may use it in another thread than
    # the one that opened it.
    connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    try:
        return Database(connection, execute_plugins=False)
    except BaseException:
        connection.close()
        raise


def _checked(db: Database, path: Path, then: Callable[[Database, Path], None]) -> Database:
    try:
        _refuse_foreign(db, path)
        then(db, path)
    except BaseException:
        db.close()
        raise
    return db


def _refuse_foreign(db: Database, path: Path) -> None:
    """Only reads, so that a file that is not ours stays as it is."""
    tables = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    ours = db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
    if tables and not ours and not _only_migrations_table(db):
        raise HistoryError(f"{path} is a database, but not a history of this program. It was left as it is.")
    known = {step.__name__ for step in STEPS}
    newer = [str(migration.name) for migration in migrations.applied(db) if migration.name not in known]
    if newer:
        raise HistoryNewer(
            f"The history {path} was written by a newer version of this program (it has {', '.join(newer)}). "
            "Update the program, or choose another file. It was left as it is."
        )


def _only_migrations_table(db: Database) -> bool:
    """True where a power cut fell between making the table of migrations and the first migration."""
    return db.table_names() == [Migrations.migrations_table]


def _make_writable(db: Database, _path: Path) -> None:
    for pragma in (
        f"page_size = {PAGE_BYTES}",  # of a file that is made; it means nothing to one that is there
        "journal_mode = WAL",
        "synchronous = FULL",
        "secure_delete = OFF",  # some builds of SQLite have it on
        "foreign_keys = ON",
        f"wal_autocheckpoint = {WAL_PAGES}",
        f"journal_size_limit = {WAL_BYTES_KEPT}",
    ):
        db.execute(f"PRAGMA {pragma}").fetchall()
    if migrations.pending(db):
        with transaction(db):  # all steps or none
            migrations.apply(db)


def _only_read(db: Database, path: Path) -> None:
    if pending := [migration.name for migration in migrations.pending(db)]:
        raise HistoryError(
            f"The history {path} is older than this program (it lacks {', '.join(pending)}). "
            "Let the box listen with it once, which brings it up to date."
        )
