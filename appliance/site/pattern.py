"""What the faults of a watch go with, worked out beside the pages: it may take a Pi some seconds, and no page waits.

One is worked out at a time, in a thread of its own; the newest few are kept. A watch that is still on is worked out
anew when another fault has begun, or some minutes are over.
"""

from __future__ import annotations

import logging
import threading
from collections import Counter, OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from appliance.history.reader import History
from appliance.history.rows import HistoryError, Watch
from appliance.history.schema import RECEIVER
from appliance.judge.circumstances import MARK_S, Onset, Seconds, from_rows, onsets
from appliance.judge.goes_with import goes_with
from appliance.site.words import NS

HOURS_MOST = 12
FAULTS_MOST = 400
"""A longer watch is asked about its last hours only, and about its newest faults: eight kinds of fifty each, all with
something to tell, take five seconds of a desktop's processor, and most of a minute of a Pi's. Ours."""
AGAIN_S = 600
KEPT = 4
MARK_NS = int(MARK_S * NS)
WAY_POINTS = 600
FAILED = "It could not be worked out, by a mistake in this program. The log on the page Box tells more."

Key = tuple[int, int, int]
Place = tuple[float, float]
log = logging.getLogger(__name__)


@dataclass(slots=True, frozen=True)
class Pattern:
    """rows: what `goes_with` found. counts: faults by kind, the most frequent first. hours: how long was asked about;
    cut: less than the whole watch, or not all of its faults.

    way, faults_at: metres east and north of the first place, of the machine and of the faults, to be drawn. says: why
    nothing could be worked out, "" where it could.
    """

    rows: list[dict[str, Any]]
    counts: list[tuple[str, int]]
    hours: float
    cut: bool
    way: list[Place]
    faults_at: list[Place]
    says: str = ""


class Patterns:
    """Gives what is known, and sees to it that what is not becomes known."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._kept: OrderedDict[Key, Pattern] = OrderedDict()
        self._lock = threading.Lock()
        self._worker: threading.Thread | None = None

    def of(self, watch: Watch, faults: int, wait_s: float) -> Pattern | None:
        """Of a watch with so many faults; None where it is still being worked out after wait_s."""
        key = _key(watch, faults)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
            if self._worker is None or not self._worker.is_alive():
                self._worker = threading.Thread(target=self._work, args=(key, watch), name="pattern", daemon=True)
                self._worker.start()
            worker = self._worker
        worker.join(wait_s)
        with self._lock:
            return self._kept.get(key)

    def _work(self, key: Key, watch: Watch) -> None:
        try:
            found = worked_out(self._path, watch)
        except HistoryError as trouble:
            found = Pattern([], [], 0.0, False, [], [], str(trouble))
        except Exception:  # or the page would wait for it for ever
            log.exception("the pattern of watch %d could not be worked out", watch.id)
            found = Pattern([], [], 0.0, False, [], [], FAILED)
        with self._lock:
            self._kept[key] = found
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)


def _key(watch: Watch, faults: int) -> Key:
    return watch.id, faults, -1 if watch.ended_ns is not None else watch.last_ns // (AGAIN_S * NS)


def worked_out(path: Path, watch: Watch) -> Pattern:
    """The whole of it. Raises HistoryError."""
    from_ns = max(watch.started_ns, watch.last_ns - HOURS_MOST * 3600 * NS)
    with History(path) as history:
        marks = [one.at_ns for one in history.marks(watch.id, from_ns - MARK_NS)]
        offset_ns = watch.utc_offset_ns if watch.dated else None
        rows, boxes = history.seconds(watch.id, RECEIVER, from_ns), history.boxes(watch.id, from_ns)
        seconds = Seconds(from_rows(rows, watch.started_ns, offset_ns, marks, boxes))
        newest = history.faults(watch.id, FAULTS_MOST)
    told = onsets((one for one in reversed(newest) if one.start_ns >= from_ns), watch.started_ns)
    counts = Counter(one.kind for one in told).most_common()
    hours = (watch.last_ns - from_ns) / 3.6e12
    found = goes_with(seconds, told)
    kinds = {row["fault"] for row in found} or {kind for kind, _ in counts[:1]}
    at = _at(seconds, [one for one in told if one.kind in kinds])
    return Pattern(found, counts, hours, from_ns > watch.started_ns or len(newest) == FAULTS_MOST, _way(seconds), at)


def _way(seconds: Seconds) -> list[Place]:
    """Thinned to what a phone can show."""
    count = sum(1 for _ in _places(seconds))
    return [place for _, place in islice(_places(seconds), 0, None, max(1, count // WAY_POINTS))]


def _at(seconds: Seconds, told: Sequence[Onset]) -> list[Place]:
    """Where each fault began: the last place known in the two seconds before it."""
    before = [range(int(fault.start_s), int(fault.start_s) - 3, -1) for fault in told]
    asked = {at_s for each in before for at_s in each}
    known = {at_s: place for at_s, place in _places(seconds) if at_s in asked}
    return [known[there[0]] for each in before if (there := [at_s for at_s in each if at_s in known])]


def _places(seconds: Seconds) -> Iterator[tuple[int, Place]]:
    """The second, and the place in it, of each in which one was known."""
    for at_s, east_m, north_m in zip(seconds.starts_s, seconds.told("east_m"), seconds.told("north_m"), strict=True):
        if east_m is not None and north_m is not None:
            yield int(at_s), (east_m, north_m)
