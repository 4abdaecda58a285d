"""An update: history comes forward whole or stays as it was, wherever the process is killed in the middle of it."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database, Migrations

from appliance.history.reader import History
from appliance.history.schema import open_writing
from appliance.history.steps import STEPS, m001_history

# Brings the history at argv[1] up to date, and is killed at the end of the step numbered argv[2], before the next.
UPDATE = """
import os, signal, sys
from appliance.history import steps
from appliance.history.schema import open_writing
doomed = steps.STEPS[int(sys.argv[2])]
def killed(db):
    doomed(db)
    os.kill(os.getpid(), signal.SIGKILL)
for step in steps.migrations._migrations:
    if step.fn is doomed:
        step.fn = killed
open_writing(sys.argv[1]).close()
"""


@pytest.fixture
def first(path: Path) -> Path:
    """A history as the first program made it, with a watch and a mark in it."""
    with closing(sqlite3.connect(path, isolation_level=None)) as plain:
        plain.execute("PRAGMA journal_mode = WAL")
        db = Database(plain, execute_plugins=False)
        oldest = Migrations("linelamp")
        oldest()(m001_history)
        oldest.apply(db)
        plain.execute(
            "INSERT INTO watch (started_ns, box_utc_ns, needs_name, needs_toml, machine, version) "
            "VALUES (5, 10, 'any', '', 'Tractor 3', '0')"
        )
        plain.execute("INSERT INTO mark (watch, at_ns, source, note) VALUES (1, 7, 'page', 'here')")
    return path


def contents(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return list(plain.iterdump())


@pytest.mark.parametrize("step", range(1, len(STEPS)))
def test_an_update_that_is_killed_leaves_history_as_it_was(first: Path, step: int) -> None:
    before = contents(first)
    done = subprocess.run([sys.executable, "-c", UPDATE, str(first), str(step)], check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL
    assert contents(first) == before
    open_writing(first).close()
    with History(first) as history:
        assert [mark.note for mark in history.marks(1)] == ["here"]
        assert list(history.losses(1)) == []
