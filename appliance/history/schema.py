"""The tables of history, how they came about, and how the file is opened.

One writer, many readers: write-ahead log, so that a page that reads never holds up the listening. With
synchronous=NORMAL a power cut may cost the last commits, never the file (SQLite documentation, "Write-Ahead
Logging"). Numbers are integers in the unit their name tells, which keeps a day small; REAL only where the unit is
not ours to choose.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlite_utils import Database, Migrations

from appliance.history.rows import HistoryError, State

LINES: tuple[str, ...] = ("from-receiver", "from-controller")  # kept as their place here; append only
VERDICTS: tuple[State, ...] = ("go", "wait", "no-go")  # kept as their place here, so that the greatest is the worst

APPLICATION_ID = 0x6C6C6D70  # tells our file from any other SQLite file
BUSY_S = 5.0  # how long to wait for another writer; there should be none
WAL_PAGES = 500  # 2 MB: moved into the file about every two minutes at the usual set
WAL_BYTES_KEPT = 4 * 1024 * 1024


def m001_history(db: Database) -> None:
    """Watches, raw blocks, measures by the second, faults with their clips, marks."""
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    for statement in _TABLES.split(";"):
        db.execute(statement)


_TABLES = """
CREATE TABLE watch (
    id INTEGER PRIMARY KEY,
    started_ns INTEGER NOT NULL, box_utc_ns INTEGER NOT NULL,
    needs_name TEXT NOT NULL, needs_toml TEXT NOT NULL, machine TEXT NOT NULL, version TEXT NOT NULL,
    ended_ns INTEGER, ended_how TEXT NOT NULL DEFAULT '',
    utc_offset_ns INTEGER, uncertainty_s REAL
) STRICT;
CREATE TABLE block (
    id INTEGER PRIMARY KEY,
    watch INTEGER NOT NULL REFERENCES watch, line INTEGER NOT NULL,
    end_ns INTEGER NOT NULL, bytes INTEGER NOT NULL, packed BLOB NOT NULL
) STRICT;
CREATE INDEX block_by_time ON block (watch, line, end_ns);
CREATE TABLE tally (id INTEGER PRIMARY KEY, messages TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE second (
    watch INTEGER NOT NULL REFERENCES watch, second_ns INTEGER NOT NULL, line INTEGER NOT NULL,
    verdict INTEGER NOT NULL, bytes INTEGER NOT NULL, sentences INTEGER NOT NULL, damaged INTEGER NOT NULL,
    junk INTEGER NOT NULL, load_permille INTEGER NOT NULL, tally INTEGER NOT NULL REFERENCES tally,
    quality INTEGER, satellites INTEGER, hdop_hundredths INTEGER, age_hundredths_s INTEGER,
    latitude_e7_deg INTEGER, longitude_e7_deg INTEGER, speed_mmps INTEGER,
    PRIMARY KEY (watch, second_ns, line)
) STRICT, WITHOUT ROWID;
CREATE TABLE fault (
    id INTEGER PRIMARY KEY,
    watch INTEGER NOT NULL REFERENCES watch, kind TEXT NOT NULL, line TEXT NOT NULL, message TEXT NOT NULL,
    start_ns INTEGER NOT NULL, end_ns INTEGER, says TEXT NOT NULL, measured REAL, needed REAL, unit TEXT NOT NULL
) STRICT;
CREATE INDEX fault_by_start ON fault (watch, start_ns);
CREATE TABLE clip (
    id INTEGER PRIMARY KEY,
    fault INTEGER NOT NULL REFERENCES fault, label TEXT NOT NULL, line TEXT NOT NULL, packed BLOB
) STRICT;
CREATE INDEX clip_by_fault ON clip (fault);
CREATE TABLE mark (
    id INTEGER PRIMARY KEY,
    watch INTEGER NOT NULL REFERENCES watch, at_ns INTEGER NOT NULL, source TEXT NOT NULL, note TEXT NOT NULL
) STRICT;
CREATE INDEX mark_by_time ON mark (watch, at_ns)
"""


def m002_tuning(db: Database) -> None:
    """How each port listened, so that a recording can be judged as it was heard."""
    db.execute(
        """CREATE TABLE tuning (
            id INTEGER PRIMARY KEY,
            watch INTEGER NOT NULL REFERENCES watch, line INTEGER NOT NULL, at_ns INTEGER NOT NULL,
            baud INTEGER NOT NULL, format TEXT NOT NULL
        ) STRICT"""
    )
    db.execute("CREATE INDEX tuning_by_time ON tuning (watch, line, at_ns)")


STEPS = (m001_history, m002_tuning)  # append only; a step that was ever released is never changed
_migrations = Migrations("linelamp")
for step in STEPS:
    _migrations()(step)

# The newest time that the rows of a watch know of; SQL for the watch :id.
LAST_NS = """
SELECT max(at_ns) FROM (
    SELECT started_ns AS at_ns FROM watch WHERE id = :id
    UNION ALL SELECT max(end_ns) FROM block WHERE watch = :id AND line = 0
    UNION ALL SELECT max(end_ns) FROM block WHERE watch = :id AND line = 1
    UNION ALL SELECT max(second_ns) FROM second WHERE watch = :id
    UNION ALL SELECT max(start_ns) FROM fault WHERE watch = :id
    UNION ALL SELECT max(end_ns) FROM fault WHERE watch = :id
    UNION ALL SELECT max(at_ns) FROM mark WHERE watch = :id
)
"""


def open_writing(path: Path | str) -> Database:
    """The history to write, made or brought up to date as needed. HistoryError if it is not ours or is newer."""
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
        raise HistoryError(f"The history {path} fails: {error}.") from error
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
    newer = [migration.name for migration in _migrations.applied(db) if migration.name not in known]
    if newer:
        raise HistoryError(
            f"The history {path} was written by a newer version of this program (it has {', '.join(newer)}). "
            "Update the program, or choose another file. It was left as it is."
        )


def _only_migrations_table(db: Database) -> bool:
    """True where a power cut fell between making the table of migrations and the first migration."""
    return db.table_names() == [Migrations.migrations_table]


def _make_writable(db: Database, _path: Path) -> None:
    db.enable_wal()
    for pragma in (
        "synchronous = NORMAL",
        "foreign_keys = ON",
        f"wal_autocheckpoint = {WAL_PAGES}",
        f"journal_size_limit = {WAL_BYTES_KEPT}",
    ):
        db.execute(f"PRAGMA {pragma}").fetchall()
    _migrations.apply(db)


def _only_read(db: Database, path: Path) -> None:
    if pending := [migration.name for migration in _migrations.pending(db)]:
        raise HistoryError(
            f"The history {path} is older than this program (it lacks {', '.join(pending)}). "
            "Let the box listen with it once, which brings it up to date."
        )
