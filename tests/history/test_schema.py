"""Opening the file: what is refused, what a reader can do where, and that transactions are what they say."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from appliance.history import schema
from appliance.history.reader import History
from appliance.history.rows import HistoryError, SecondRow, WatchStart
from appliance.history.schema import open_reading, open_writing, transaction
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk

NOBODY = 65534

# Reads the history named in argv[1], with no rights but to read; prints the machine and the seconds, or what is wrong.
READ = f"""
import os, sys
from appliance.history.reader import History
from appliance.history.rows import HistoryError
if os.geteuid() == 0:  # the rights of a folder do not bind root
    os.setgroups([])
    os.setgid({NOBODY})
    os.setuid({NOBODY})
try:
    with History(sys.argv[1]) as history:
        print(history.latest().machine, len(list(history.seconds(1))))
except HistoryError as error:
    print("refused:", error)
"""


@pytest.fixture
def opened(path: Path) -> Path:
    """A history that exists and is closed."""
    open_writing(path).close()
    return path


def test_the_writer_sees_to_log_and_safety(path: Path) -> None:
    db = open_writing(path)
    try:
        told = {
            name: db.execute(f"PRAGMA {name}").fetchone()[0]
            for name in (
                "journal_mode",
                "synchronous",
                "foreign_keys",
                "wal_autocheckpoint",
                "journal_size_limit",
                "page_size",
                "secure_delete",
            )
        }
    finally:
        db.close()
    assert told == {
        "journal_mode": "wal",
        "synchronous": 2,  # FULL, by SQLite's documentation of the pragma
        "foreign_keys": 1,
        "wal_autocheckpoint": schema.WAL_PAGES,
        "journal_size_limit": schema.WAL_BYTES_KEPT,
        "page_size": schema.PAGE_BYTES,
        "secure_delete": 0,
    }


def fail_half_way(db: Database) -> None:
    with transaction(db):
        db.execute("INSERT INTO tally (messages) VALUES ('b')")
        db.execute("INSERT INTO tally (messages) VALUES ('a')")  # there already


def test_a_transaction_locks_at_once_and_is_closed_at_its_end(opened: Path) -> None:
    db = open_writing(opened)
    with closing(sqlite3.connect(opened, timeout=0, isolation_level=None)) as other:
        with transaction(db):
            # IMMEDIATE: the second connection is locked out before anything is written, and yet can read.
            with pytest.raises(sqlite3.OperationalError, match="locked"):
                other.execute("BEGIN IMMEDIATE")
            db.execute("INSERT INTO tally (messages) VALUES ('a')")
            assert other.execute("SELECT count(*) FROM tally").fetchone() == (0,)
        assert other.execute("SELECT count(*) FROM tally").fetchone() == (1,)
        other.execute("BEGIN IMMEDIATE")  # nothing was left open
        other.execute("ROLLBACK")
        with pytest.raises(sqlite3.IntegrityError):
            fail_half_way(db)
        assert other.execute("SELECT count(*) FROM tally").fetchone() == (1,)
        other.execute("BEGIN IMMEDIATE")
        other.execute("ROLLBACK")
    db.close()


def test_a_commit_leaves_no_transaction_open(path: Path, start: WatchStart, second: Callable[..., SecondRow]) -> None:
    with HistoryWriter(path) as writer, closing(sqlite3.connect(path, timeout=0, isolation_level=None)) as other:
        writer.begin_watch(start)
        other.execute("BEGIN IMMEDIATE")
        other.execute("ROLLBACK")
        writer.add_second(second())
        writer.commit()
        assert other.execute("SELECT count(*) FROM second").fetchone() == (1,)
        other.execute("BEGIN IMMEDIATE")
        other.execute("ROLLBACK")


def test_the_log_shrinks_although_readers_come_and_go(
    path: Path, start: WatchStart, second: Callable[..., SecondRow]
) -> None:
    noise = random.Random(1)  # cannot be packed, so that the log fills several times
    with HistoryWriter(path) as writer:
        writer.begin_watch(start)
        with History(path) as history:
            seconds = history.seconds(1)  # begun, and never read to its end while the writer goes on
            for n in range(600):
                writer.add_second(second(n * 10**9))
                writer.add_chunk("from-receiver", Chunk(noise.randbytes(8000), n * 10**9, 1000))
                writer.commit()
                if n == 300:
                    next(seconds)
            assert path.with_name(path.name + "-wal").stat().st_size <= schema.WAL_BYTES_KEPT
            assert next(seconds).second_ns == 10**9


def test_a_history_of_a_newer_program_is_refused_and_left_alone(opened: Path) -> None:
    db = open_writing(opened)
    with transaction(db):
        db.execute("INSERT INTO _sqlite_migrations VALUES (99, 'linelamp', 'm099_later', '2031-01-01')")
    db.close()
    before = opened.read_bytes()
    for opens in (open_writing, open_reading):
        with pytest.raises(HistoryError, match=r"newer version .*m099_later.*left as it is"):
            opens(opened)
    assert opened.read_bytes() == before


def test_an_older_history_is_brought_up_to_date_by_the_writer_alone(path: Path) -> None:
    with closing(sqlite3.connect(path)):
        pass
    path.touch()  # as after a power cut between the making of the file and its first table
    with pytest.raises(HistoryError, match="older than this program"):
        open_reading(path)
    open_writing(path).close()
    open_reading(path).close()


@pytest.mark.parametrize("content", [b"no database at all, but long enough to be looked at " * 20])
def test_a_file_that_is_no_database_is_refused_and_left_alone(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    for opens in (open_writing, open_reading):
        with pytest.raises(HistoryError, match=r"history\.db fails: file is not a database"):
            opens(path)
    assert path.read_bytes() == content


def test_a_database_of_another_program_is_refused_and_left_alone(path: Path) -> None:
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE recipes (cake TEXT)")
    before = path.read_bytes()
    for opens in (open_writing, open_reading):
        with pytest.raises(HistoryError, match="not a history of this program"):
            opens(path)
    assert path.read_bytes() == before


def test_a_missing_history_is_told_plainly(path: Path) -> None:
    with pytest.raises(HistoryError, match="There is no history at"):
        History(path)
    assert not path.exists()


def test_a_place_where_nothing_can_be_made_is_told_plainly(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(HistoryError, match="cannot be opened"):
        open_writing(tmp_path / "file" / "history.db")


def test_a_reader_cannot_write(opened: Path) -> None:
    db = open_reading(opened)
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        db.execute("INSERT INTO tally (messages) VALUES ('a')")
    db.close()


@pytest.fixture
def shown() -> Iterator[Path]:
    """A folder that another user can reach; pytest's own are private."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)
        Path(name).chmod(0o755)


def read_as_stranger(path: Path) -> str:
    """What a process sees that may read the file and may not write its folder."""
    path.parent.chmod(0o555)
    command = [sys.executable, "-c", READ, str(path)]
    done = subprocess.run(command, cwd="/", capture_output=True, text=True, check=True, timeout=60)
    path.parent.chmod(0o755)
    return done.stdout.strip()


def test_a_finished_history_is_read_from_a_folder_that_may_not_be_written(
    shown: Path, start: WatchStart, second: Callable[..., SecondRow]
) -> None:
    path = shown / "history.db"
    with HistoryWriter(path) as writer:
        writer.begin_watch(start)
        writer.add_second(second())
        writer.commit()
        writer.add_second(second(51_000_000_000))
        writer.commit()
        assert read_as_stranger(path) == "Tractor 3 2"  # beside the writer, the last commit included
    assert sorted(file.name for file in shown.iterdir()) == ["history.db", "history.db-tail"]
    assert read_as_stranger(path) == "Tractor 3 2"


def test_a_history_cut_off_in_a_folder_that_may_not_be_written_says_what_to_do(
    shown: Path, start: WatchStart, second: Callable[..., SecondRow]
) -> None:
    path = shown / "history.db"
    with HistoryWriter(shown / "live.db") as writer:
        writer.begin_watch(start)
        writer.add_second(second())
        writer.commit()
        for end in ("", "-wal"):  # as the card is found after a power cut
            (shown / f"history.db{end}").write_bytes((shown / f"live.db{end}").read_bytes())
    says = read_as_stranger(path)
    assert says.startswith("refused: ")
    assert "Copy history.db and history.db-wal together" in says
    with History(path) as history:  # where the folder may be written, it reads whole
        assert len(list(history.seconds(1))) == 1
