"""The last rows of a process's log, held in memory for the page: nobody reads a journal in a cab."""

from __future__ import annotations

import logging
from collections import deque
from datetime import UTC, datetime
from typing import Any

ROWS_MOST = 60
ROW_MOST_CHARACTERS = 300


class RecentLog(logging.Handler):
    """Rows, oldest first: at_utc (by this machine's clock), level, says. Safe for several threads, as handlers are."""

    def __init__(self) -> None:
        super().__init__(logging.INFO)
        self._rows: deque[dict[str, Any]] = deque(maxlen=ROWS_MOST)

    def emit(self, record: logging.LogRecord) -> None:
        """Takes a record."""
        at = datetime.fromtimestamp(record.created, UTC)
        text = record.getMessage().partition("\n")[0][:ROW_MOST_CHARACTERS]
        self._rows.append({"at_utc": f"{at:%Y-%m-%dT%H:%M:%SZ}", "level": record.levelname.lower(), "says": text})

    @property
    def rows(self) -> list[dict[str, Any]]:
        """What it holds now."""
        with self.lock:  # type: ignore[union-attr]
            return list(self._rows)


def install() -> RecentLog:
    """Begins to hold what this process logs."""
    handler = RecentLog()
    logging.getLogger().addHandler(handler)
    return handler
