"""The tables of history, and the steps by which they came about.

Numbers are integers in the unit their name tells, which keeps a day small; REAL only where the unit is not ours to
choose. A step runs in one transaction with the note that it was taken.
"""

from __future__ import annotations

from sqlite_utils import Database, Migrations

APPLICATION_ID = 0x6C6C6D70  # tells our file from any other SQLite file


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


def m003_losses_and_gone(db: Database) -> None:
    """When the controller would have lost position or speed; and what was dropped of a watch, and up to when."""
    db.execute(
        """CREATE TABLE loss (
            id INTEGER PRIMARY KEY,
            watch INTEGER NOT NULL REFERENCES watch, what TEXT NOT NULL, start_ns INTEGER NOT NULL, end_ns INTEGER
        ) STRICT"""
    )
    db.execute("CREATE INDEX loss_by_start ON loss (watch, start_ns)")
    db.execute(
        """CREATE TABLE gone (
            watch INTEGER NOT NULL REFERENCES watch, what TEXT NOT NULL, before_ns INTEGER NOT NULL,
            PRIMARY KEY (watch, what)
        ) STRICT, WITHOUT ROWID"""
    )


def m004_summaries(db: Database) -> None:
    """What is drawn of a whole watch: measures and way by the minute, so that no page reads a day of seconds.

    summed: up to when the minutes of a watch are summed up. What was written before there were summaries is summed up
    bit by bit, while the box listens. jitter_us: how far messages lay from their schedule.
    """
    db.execute("ALTER TABLE second ADD COLUMN jitter_us INTEGER")
    db.execute(
        """CREATE TABLE minute (
            watch INTEGER NOT NULL REFERENCES watch, line INTEGER NOT NULL, at_ns INTEGER NOT NULL, what TEXT NOT NULL,
            seconds INTEGER NOT NULL, least INTEGER NOT NULL, most INTEGER NOT NULL, total REAL NOT NULL,
            PRIMARY KEY (watch, line, at_ns, what)
        ) STRICT, WITHOUT ROWID"""
    )
    db.execute(
        """CREATE TABLE way (
            watch INTEGER NOT NULL REFERENCES watch, at_ns INTEGER NOT NULL, packed BLOB NOT NULL,
            PRIMARY KEY (watch, at_ns)
        ) STRICT, WITHOUT ROWID"""
    )
    db.execute(
        """CREATE TABLE summed (
            watch INTEGER PRIMARY KEY REFERENCES watch, before_ns INTEGER NOT NULL
        ) STRICT"""
    )


def m005_jobs(db: Database) -> None:
    """What is fitted to what: each change of a job is a row, and the newest of a watch holds."""
    db.execute(
        """CREATE TABLE job (
            id INTEGER PRIMARY KEY,
            watch INTEGER NOT NULL REFERENCES watch, changed_utc_ns INTEGER NOT NULL,
            machine TEXT NOT NULL, controller TEXT NOT NULL, harness TEXT NOT NULL, work_order TEXT NOT NULL,
            technician TEXT NOT NULL, notes TEXT NOT NULL
        ) STRICT"""
    )
    db.execute("CREATE INDEX job_of_watch ON job (watch, id)")


def m006_box(db: Database) -> None:
    """How warm the box was and whether its supply was low, a row where that changed."""
    db.execute(
        """CREATE TABLE box (
            watch INTEGER NOT NULL REFERENCES watch, at_ns INTEGER NOT NULL,
            temperature_c INTEGER, supply_low INTEGER,
            PRIMARY KEY (watch, at_ns)
        ) STRICT, WITHOUT ROWID"""
    )


STEPS = (
    m001_history,
    m002_tuning,
    m003_losses_and_gone,
    m004_summaries,
    m005_jobs,
    m006_box,
)  # append only; a released step is never changed
migrations = Migrations("linelamp")
for step in STEPS:
    migrations()(step)

# The newest time that the rows of a watch know of; SQL for the watch :id.
LAST_NS = """
SELECT max(at_ns) FROM (
    SELECT started_ns AS at_ns FROM watch WHERE id = :id
    UNION ALL SELECT max(end_ns) FROM block WHERE watch = :id AND line = 0
    UNION ALL SELECT max(end_ns) FROM block WHERE watch = :id AND line = 1
    UNION ALL SELECT max(second_ns) FROM second WHERE watch = :id
    UNION ALL SELECT max(start_ns) FROM fault WHERE watch = :id
    UNION ALL SELECT max(end_ns) FROM fault WHERE watch = :id
    UNION ALL SELECT max(start_ns) FROM loss WHERE watch = :id
    UNION ALL SELECT max(end_ns) FROM loss WHERE watch = :id
    UNION ALL SELECT max(at_ns) FROM mark WHERE watch = :id
    UNION ALL SELECT max(before_ns) - 1 FROM gone WHERE watch = :id
)
"""
