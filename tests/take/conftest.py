"""A history with a watch in it, filled by the test and read back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from appliance.history.reader import History
from appliance.history.rows import WatchStart
from appliance.history.writer import HistoryWriter

STARTED_NS = 50_000_000_000
STARTED_UTC_NS = 1_777_886_000_000_000_000  # 2026-05-04T09:13:20Z (`date -u -d @1777886000`)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[HistoryWriter]:
    """In its watch 1, dated by the line."""
    with HistoryWriter(tmp_path / "history.db") as writer:
        writer.begin_watch(WatchStart(STARTED_NS, 0, "anything", "", "Tractor 3", "0.1.0"))
        writer.date_watch(STARTED_UTC_NS - STARTED_NS, 0.01)
        yield writer


@pytest.fixture
def reading(writer: HistoryWriter) -> Iterator[Callable[[], History]]:
    """Commits what was written and opens the history; closed at the end of the test."""
    opened: list[History] = []

    def read() -> History:
        writer.commit()
        opened.append(History(writer.path))
        return opened[-1]

    yield read
    for history in opened:
        history.close()
