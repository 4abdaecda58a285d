"""The raw bytes of a line: byte for byte what was received, and nothing else."""

from __future__ import annotations

from collections.abc import Iterator

from appliance.history.reader import History
from appliance.history.rows import Watch
from appliance.take.stream import gathered


def lines(
    history: History, watch: Watch, line: str, from_ns: int | None = None, to_ns: int | None = None
) -> Iterator[bytes]:
    """Bytes whose byte time lies in the span. A spoilt block is left out and told of in history.troubles."""
    return gathered(chunk.data for chunk in history.chunks(watch.id, line, from_ns, to_ns))
