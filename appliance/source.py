"""A recording opened, to be judged: a plain log, a log with TAG blocks, or the box's own history."""

from __future__ import annotations

import heapq
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from itertools import repeat
from pathlib import Path

from appliance import recording
from appliance.history.reader import History
from appliance.history.rows import HistoryError, TuningRow
from appliance.judge.needs import Needs
from appliance.recording import Recorded, RecordingError
from appliance.sentence.chunk import Chunk
from appliance.settings import EARLIEST
from appliance.watch import CONTROLLER, RECEIVER

_SQLITE = b"SQLite format 3\x00"

_COARSE = (
    "The times of arrival are whole seconds: sentences of one second are taken as spread over it. Jitter says nothing."
)
_UNDATED = "The log holds no date (no RMC or ZDA with one), so its times are times of some day."
_UNTIMED = "No sentence in the log tells a time, so rates and gaps are unknown."


@dataclass(slots=True)
class Source:
    """A recording opened: its pieces in order of time, what is known of its times, and what there is to say of it.

    size: bytes to be judged, for a progress bar. undated: rows of each line without a time of their own, counted as
    they pass. name: what to call it in errors. tunings: how its ports listened, in order of time. jitter_floor_s:
    no jitter can be told finer; None where that is not known.
    """

    pieces: Iterator[Recorded]
    size: int
    arrival_measured: bool
    utc_offset_ns: int | None
    notes: list[str] = field(default_factory=list)
    undated: Counter[str] = field(default_factory=Counter)
    name: str = "The recording"
    tunings: deque[TuningRow] = field(default_factory=deque)
    earliest: date | None = None
    jitter_floor_s: float | None = None


def open_source(path: Path, needs: Needs, watch_id: int | None = None) -> Source:
    """A plain log, a log with TAG blocks, or the box's own history. Raises RecordingError."""
    if is_history(path):
        return _history(path, watch_id)
    size = path.stat().st_size
    if recording.form_of(path) == "tagged":
        undated: Counter[str] = Counter()
        pieces = recording.tagged(path, needs.baud, undated)
        coarse = recording.coarse(path)
        floor_s = recording.COARSE_S if coarse else recording.FINE_S
        notes = [_COARSE] if coarse else []
        return Source(pieces, size, True, 0, notes, undated=undated, name=str(path), jitter_floor_s=floor_s)
    dated = recording.dated(path)
    notes = [
        "Arrival was not measured: the log has no times but the sentences' own. Jitter, load and silence are unknown."
    ]
    if not dated:
        timed = recording.timed(path)
        notes.append(_UNDATED if timed else _UNTIMED)
    return Source(recording.plain(path), size, False, 0 if dated else None, notes, name=str(path))


def is_history(path: Path) -> bool:
    """Whether a file is a box's history, by its first bytes. Raises RecordingError where it cannot be read."""
    try:
        with path.open("rb") as file:
            return file.read(len(_SQLITE)) == _SQLITE
    except OSError as trouble:
        raise RecordingError(
            f"{path} cannot be read: {trouble.strerror or trouble}. Give a file that is there and may be read."
        ) from trouble


def _history(path: Path, watch_id: int | None) -> Source:
    try:
        with History(path) as history:
            watch = history.watch(watch_id) if watch_id is not None else history.latest()
            size = history.sizes(watch.id)["bytes"] if watch else 0
            tunings = (
                [row for line in (RECEIVER, CONTROLLER) for row in history.tunings(watch.id, line)] if watch else []
            )
    except HistoryError as trouble:
        raise RecordingError(str(trouble)) from trouble
    if watch is None:
        raise RecordingError(f"{path} holds no watch yet: there is nothing to judge. Let the box listen first.")
    notes = [] if watch.dated else ["The receiver never told the date in this watch: times are by the box's own clock."]

    def pieces() -> Iterator[Recorded]:
        with History(path) as history:
            streams = {line: history.chunks(watch.id, line) for line in (RECEIVER, CONTROLLER)}
            yield from _in_order(streams)

    tunings.sort(key=lambda row: row.at_ns)
    earliest = date.fromisoformat(EARLIEST)
    old = (
        watch.dated and datetime.fromtimestamp(watch.utc_ns(watch.started_ns) / 1e9, UTC).date() < earliest
    )  # then the box was set to take it
    return Source(
        pieces(),
        size,
        True,
        watch.utc_offset_ns,
        notes,
        name=str(path),
        tunings=deque(tunings),
        earliest=None if old else earliest,
    )


def _in_order(streams: dict[str, Iterator[Chunk]]) -> Iterator[Recorded]:
    """The chunks of all lines, merged by time."""
    named = [map(Recorded, repeat(line), stream) for line, stream in streams.items()]
    return heapq.merge(*named, key=lambda piece: piece.chunk.start_ns)
