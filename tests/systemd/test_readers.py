"""The page's user reads the history that the tap's user writes, whether the tap runs or not, and cannot write to it."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

TAP_UID, WEB_UID, GROUP = 64_001, 64_002, 64_003  # nobody's, on this machine

# All is loaded as root, who alone may read the Python of some machines, before the user is changed.
DROP = """
import os, sys, sqlite3, sqlite_utils, appliance.history.reader, appliance.history.writer
uid, gid, path = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
os.setgroups([]); os.setgid(gid); os.setuid(uid)
"""
WRITE = """
from appliance.history.rows import WatchStart
from appliance.history.writer import HistoryWriter
os.umask(0o027)
writer = HistoryWriter(path)
writer.begin_watch(WatchStart(1, 1, "rate-section", "", "Larkmere tractor 3", "0"))
writer.commit()
print("written", flush=True)
sys.stdin.readline()
writer.end_watch(2)
writer.commit()
writer.close()
"""
READ = """
from appliance.history.reader import History
with History(path) as history:
    print(history.latest().machine)
"""
SPOIL = """
sqlite3.connect(path).execute("DELETE FROM watch")
"""


def as_user(uid: int, code: str, path: Path) -> subprocess.Popen[str]:
    pipe = subprocess.PIPE
    asked = [sys.executable, "-c", DROP + code, str(uid), str(GROUP), str(path)]
    # Nor may another user write beside the project what is counted of it.
    own = {name: value for name, value in os.environ.items() if not name.startswith("COVERAGE")}
    return subprocess.Popen(asked, stdin=pipe, stdout=pipe, stderr=pipe, text=True, env=own)


def said(uid: int, code: str, path: Path) -> tuple[int, str]:
    with as_user(uid, code, path) as process:
        out, err = process.communicate(timeout=30)
        return process.returncode, out + err


@pytest.fixture
def history(tree: Path) -> Iterator[Path]:
    """Where it lies on a box, with owner, group and mode as tmpfiles makes them."""
    if os.geteuid() != 0:
        pytest.skip("Only root can be two other users.")
    rows = (tree / "usr/local/lib/tmpfiles.d/linelamp.conf").read_text().splitlines()
    row = next(row.split() for row in rows if row.startswith("d "))
    assert row[3:5] == ["linelamp-tap", "linelamp"]
    with tempfile.TemporaryDirectory() as above:
        Path(above).chmod(0o755)
        folder = Path(above) / "linelamp"
        folder.mkdir()
        os.chown(folder, TAP_UID, GROUP)
        folder.chmod(int(row[2], 8))
        yield folder / "history.db"


@pytest.mark.slow
def test_while_the_tap_runs_and_after_it_stopped(history: Path) -> None:
    with as_user(TAP_UID, WRITE, history) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "written\n"
        assert said(WEB_UID, READ, history) == (0, "Larkmere tractor 3\n")
        status, trouble = said(WEB_UID, SPOIL, history)
        assert status == 1
        assert "readonly" in trouble
        writer.communicate("stop\n", timeout=30)
        assert writer.returncode == 0
    assert sorted(path.name for path in history.parent.iterdir()) == ["history.db", "history.db-tail"]
    assert said(WEB_UID, READ, history) == (0, "Larkmere tractor 3\n")
    assert said(WEB_UID, SPOIL, history)[0] == 1
    stat = history.stat()
    assert (stat.st_uid, stat.st_gid, stat.st_mode & 0o777) == (TAP_UID, GROUP, 0o640)
