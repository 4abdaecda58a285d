"""CSV of faults: one row each, oldest first."""

from __future__ import annotations

from collections.abc import Iterator

from appliance.history.reader import History
from appliance.history.rows import StoredFault, Watch
from appliance.take.table import Cell, csv_bytes
from appliance.take.utc import iso

HEADER = (
    "start_utc",  # ISO 8601
    "end_utc",  # empty: still on
    "duration_s",
    "kind",
    "line",
    "message",  # sentence type; empty: the line itself
    "measured",  # in unit
    "needed",  # in unit
    "unit",
    "says",
)


def lines(
    history: History, watch: Watch, line: str | None, from_ns: int | None = None, to_ns: int | None = None
) -> Iterator[bytes]:
    """Faults that were on at any time of the span; of both lines where line is None."""
    return csv_bytes(HEADER, (_cells(watch, row) for row in history.faults_in_order(watch.id, line, from_ns, to_ns)))


def _cells(watch: Watch, row: StoredFault) -> tuple[Cell, ...]:
    return (
        iso(watch, row.start_ns),
        iso(watch, row.end_ns) if row.end_ns is not None else None,
        round((row.end_ns - row.start_ns) / 1e9, 3) if row.end_ns is not None else None,
        row.kind,
        row.line,
        row.message,
        row.measured,
        row.needed,
        row.unit,
        row.says,
    )
