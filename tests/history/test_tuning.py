"""How the ports listened: written, read back, and a history of the first schema brought up to it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Migrations

from appliance.history.reader import History
from appliance.history.rows import HistoryError, TuningRow, WatchStart
from appliance.history.schema import open_writing
from appliance.history.steps import m001_history
from appliance.history.writer import HistoryWriter
from appliance.sentence.setting import Setting

RECEIVER, CONTROLLER = "from-receiver", "from-controller"
ROWS = [
    TuningRow(RECEIVER, 50, Setting(38_400)),
    TuningRow(RECEIVER, 70, Setting.parse(115_200, "7O1")),
    TuningRow(RECEIVER, 70, Setting.parse(460_800, "8N2")),
]


def test_tunings_come_back_by_line_in_their_order(path: Path, start: WatchStart) -> None:
    with HistoryWriter(path) as writer:
        watch = writer.begin_watch(start)
        for row in ROWS:
            writer.add_tuning(row)
        writer.add_tuning(TuningRow(CONTROLLER, 60, Setting(4800)))
        writer.commit()
        with History(path) as history:
            assert history.tunings(watch, RECEIVER) == ROWS
            assert history.tunings(watch, CONTROLLER) == [TuningRow(CONTROLLER, 60, Setting(4800))]
            assert history.tunings(watch + 1, RECEIVER) == []
            for before_ns in (0, ROWS[0].at_ns, ROWS[0].at_ns + 1, ROWS[-1].at_ns, 10**18):
                last = next((row for row in reversed(ROWS) if row.at_ns < before_ns), None)
                assert history.tuning(watch, RECEIVER, before_ns) == last
            with pytest.raises(HistoryError, match="not a line"):
                history.tunings(watch, "from-nowhere")


def first_schema(path: Path, start: WatchStart) -> None:
    """A history as the first schema's program left it, with a watch that ended in good order."""
    open_writing(path).close()
    with closing(sqlite3.connect(path)) as db, db:
        for table in ("tuning", "loss", "gone", "minute", "way", "summed", "job", "box"):
            db.execute(f"DROP TABLE {table}")
        db.execute("ALTER TABLE second DROP COLUMN jitter_us")
        db.execute(f"DELETE FROM {Migrations.migrations_table} WHERE name <> ?", (m001_history.__name__,))
        db.execute(
            "INSERT INTO watch (started_ns, box_utc_ns, needs_name, needs_toml, machine, version, ended_ns, ended_how)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, 'stopped')",
            (start.started_ns, start.box_utc_ns, start.needs_name, start.needs_toml, start.machine, "0.0.1", 10**11),
        )
        db.execute("INSERT INTO mark (watch, at_ns, source, note) VALUES (1, 60000000000, 'button', 'before')")


def test_a_history_of_the_first_schema_is_brought_up_to_date_and_kept(path: Path, start: WatchStart) -> None:
    first_schema(path, start)
    with pytest.raises(HistoryError, match=r"older than this program .*m002_tuning, m003_"):
        History(path)
    with HistoryWriter(path) as writer:
        second = writer.begin_watch(start)
        writer.add_tuning(ROWS[0])
        writer.end_watch(start.started_ns + 10**9)
    with History(path) as history:
        newest, oldest = history.watches()
        assert (oldest.id, oldest.machine, oldest.version, oldest.ended_ns) == (1, start.machine, "0.0.1", 10**11)
        assert [mark.note for mark in history.marks(oldest.id)] == ["before"]
        assert history.tunings(oldest.id, RECEIVER) == []
        assert newest.id == second
        assert history.tunings(second, RECEIVER) == ROWS[:1]


def test_a_migration_that_fails_half_way_leaves_the_history_as_it_was(path: Path, start: WatchStart) -> None:
    """The third step cannot make its table, so the second, which could, is undone with it."""
    first_schema(path, start)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("CREATE TABLE gone (in_the_way TEXT)")
    with pytest.raises(HistoryError, match="gone already exists"):
        HistoryWriter(path)
    with closing(sqlite3.connect(path)) as db:
        assert not db.execute("SELECT 1 FROM sqlite_master WHERE name IN ('tuning', 'loss')").fetchall()
        (steps,) = db.execute(f"SELECT count(*) FROM {Migrations.migrations_table}").fetchone()
        assert steps == 1
        db.execute("DROP TABLE gone")
        db.commit()
    with HistoryWriter(path) as writer:
        assert writer.begin_watch(start) == 2
