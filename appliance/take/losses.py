"""CSV of losses: when the connected controller would have been without its position or its speed, oldest first."""

from __future__ import annotations

from collections.abc import Iterator

from appliance.history.reader import History
from appliance.history.rows import LossRow, Watch
from appliance.take.table import Cell, csv_bytes
from appliance.take.utc import iso

HEADER = (
    "start_utc",  # ISO 8601; when the controller's time-out ran out
    "end_utc",  # empty: still on
    "duration_s",
    "what",  # position, speed
)


def lines(
    history: History,
    watch: Watch,
    line: str | None,  # noqa: ARG001
    from_ns: int | None = None,
    to_ns: int | None = None,
) -> Iterator[bytes]:
    """Losses that were on at any time of the span. line says nothing: a controller is fed by the receiver alone."""
    return csv_bytes(HEADER, (_cells(watch, row) for row in history.losses(watch.id, from_ns, to_ns)))


def _cells(watch: Watch, row: LossRow) -> tuple[Cell, ...]:
    return (
        iso(watch, row.start_ns),
        iso(watch, row.end_ns) if row.end_ns is not None else None,
        round((row.end_ns - row.start_ns) / 1e9, 3) if row.end_ns is not None else None,
        row.what,
    )
