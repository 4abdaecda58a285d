"""CSV by the second: one row for each line and second, oldest first."""

from __future__ import annotations

from collections.abc import Iterator

from appliance.history.reader import History
from appliance.history.rows import SecondRow, Watch
from appliance.take.table import Cell, csv_bytes
from appliance.take.utc import iso

HEADER = (
    "start_utc",  # of the second, ISO 8601
    "line",
    "verdict",  # go, no-go, wait
    "bytes",
    "sentences",  # good ones
    "damaged",  # sentences that were not
    "junk_bytes",  # bytes that belong to no sentence
    "load_ratio",  # share of the line's capacity in use, 0 to 1
    "quality",  # GGA quality number
    "satellites",
    "hdop",
    "age_s",  # of corrections
    "latitude_deg",  # north positive
    "longitude_deg",  # east positive
    "speed_mps",  # m/s
    "messages",  # count of each, such as GNGGA:5 GNVTG:5
)


def lines(
    history: History, watch: Watch, line: str | None, from_ns: int | None = None, to_ns: int | None = None
) -> Iterator[bytes]:
    """Seconds that start in the span; of both lines where line is None."""
    return csv_bytes(HEADER, (_cells(watch, row) for row in history.seconds(watch.id, line, from_ns, to_ns)))


def _cells(watch: Watch, row: SecondRow) -> tuple[Cell, ...]:
    return (
        iso(watch, row.second_ns),
        row.line,
        row.verdict,
        row.bytes,
        row.sentences,
        row.damaged,
        row.junk,
        row.load_ratio,
        row.quality,
        row.satellites,
        row.hdop,
        row.age_s,
        row.latitude_deg,
        row.longitude_deg,
        row.speed_mps,
        " ".join(f"{name}:{count}" for name, count in sorted(row.messages.items())),
    )
