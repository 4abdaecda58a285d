"""A history opened to be read: short queries, each over when its rows are here, and what could not be read told of."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from appliance.history import blocks
from appliance.history.rows import HistoryError
from appliance.history.schema import open_reading, plain_errors
from appliance.sentence.chunk import Chunk

PAGE_ROWS = 1000
INTEGER_LEAST, INTEGER_MOST = -(2**62), 2**62  # wider than any time of a watch

T = TypeVar("T")
log = logging.getLogger(__name__)


class Reading:
    """The file at `path`, read-only; a context manager. HistoryError if it cannot be read.

    troubles: plain sentences on what was left out of what has been read so far, or was not there any more.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self.troubles: list[str] = []
        self._db = open_reading(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def _each(self, make: Callable[[dict[str, Any]], T], rows: list[dict[str, Any]]) -> list[T]:
        """What the rows hold. One that cannot be right is left out and told of, as a spoilt block is."""
        made = []
        for row in rows:
            try:
                made.append(make(row))
            except (KeyError, IndexError, TypeError, ValueError, OverflowError) as error:
                self._tell(f"A row of the history is spoilt and was left out: {type(error).__name__}: {error}.")
        return made

    def _decode(self, packed: bytes, what: str) -> list[Chunk]:
        try:
            return blocks.decode(packed)
        except (HistoryError, TypeError) as error:
            self._tell(f"{what} is spoilt and was left out: {error}.")
            return []

    def _tell(self, says: str) -> None:
        if says not in self.troubles:
            self.troubles.append(says)
            log.warning("%s: %s", self.path, says)

    def _tuples(self, sql: str, values: Mapping[str, object]) -> list[Any]:
        """As _rows, without names."""
        with plain_errors(self.path):
            return self._db.conn.execute(sql, values).fetchall()

    def _rows(self, sql: str, values: Mapping[str, object]) -> list[dict[str, Any]]:
        """All rows of a short query: the read is over when this returns."""
        with plain_errors(self.path):
            try:
                cursor = self._db.conn.execute(sql, values)
            except OverflowError as error:  # a number that somebody asked for, wider than any of SQLite's
                raise HistoryError(f"The history {self.path} holds nothing of so great a number.") from error
            names = [column[0] for column in cursor.description]
            return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def span(from_ns: int | None, to_ns: int | None) -> dict[str, Any]:
    """The bounds of a span as a query asks them; None: wider than any watch."""
    return {
        "from_ns": INTEGER_LEAST if from_ns is None else from_ns,
        "to_ns": INTEGER_MOST if to_ns is None else to_ns,
    }
