"""What the front page shows of history: the last faults and the last 24 hours. Read now and then, kept in between.

The day takes long to read on a small machine, so it is read by whoever finds it due, and nobody waits for it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from appliance.history.reader import History
from appliance.history.rows import Cell, HistoryError, StoredFault, Watch
from appliance.site.words import from_iso, from_ns

FAULTS_EVERY_S = 2.0
DAY_EVERY_S = 30.0
"""How often history is read, in s. Our choice: a cell of the strip is 5 minutes."""

FAULTS_MOST = 10
SAME_START_NS = 500_000_000
"""A fault of the picture and one of history that begin this close are one. Faults of a kind last longer than this."""


@dataclass(slots=True, frozen=True)
class Past:
    """What was last read. faults: newest first, each with its watch. says: why history cannot be read, or ""."""

    faults: tuple[tuple[StoredFault, Watch], ...] = ()
    cells: tuple[Cell, ...] = ()
    says: str = ""


class Glance:
    """History as the front page needs it. Safe for several threads."""

    def __init__(self, path: Path, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._path = path
        self._monotonic = monotonic
        self._reading = threading.Lock()
        self._faults_due_s = float("-inf")
        self._day_due_s = float("-inf")
        self.past = Past()

    def refresh(self, to_utc_ns: int, *, wait: bool = False) -> None:
        """Reads what is due. wait: for another thread that is reading already."""
        now_s = self._monotonic()
        if now_s < min(self._faults_due_s, self._day_due_s) or not self._reading.acquire(blocking=wait):
            return
        try:
            self.past = self._read(now_s, to_utc_ns)
        finally:
            self._reading.release()

    def _read(self, now_s: float, to_utc_ns: int) -> Past:
        faults, cells = self.past.faults, self.past.cells
        try:
            with History(self._path) as history:
                if now_s >= self._faults_due_s:
                    found = history.faults(limit=FAULTS_MOST)
                    watches = {id_: history.watch(id_) for id_ in {fault.watch for fault in found}}
                    faults = tuple((fault, watches[fault.watch]) for fault in found)
                    self._faults_due_s = now_s + FAULTS_EVERY_S
                if now_s >= self._day_due_s:
                    cells = tuple(history.strip(to_utc_ns))
                    self._day_due_s = now_s + DAY_EVERY_S
        except (HistoryError, OSError) as error:
            self._faults_due_s = now_s + FAULTS_EVERY_S
            return Past(faults, cells, str(error))
        return Past(faults, cells)


def last_faults(past: Past, picture: dict[str, Any] | None) -> list[dict[str, Any]]:
    """Faults newest first: those of the picture, which are newest, joined with those of history, which have pages.

    Each has id (None: not in history yet), line, says, start and end (UTC or None), on (bool), lasted_s (or None).
    """
    rows = [_from_history(fault, watch) for fault, watch in past.faults]
    live = [*picture["faults_open"], *picture["faults_recent"]] if picture else []
    unseen: list[dict[str, Any]] = []
    for fault in live:
        where = _same(past, fault, picture["watch"]["id"]) if picture else None
        now_s = picture["watch"]["seconds"] if picture else None
        row = row_of(fault, now_s)
        if where is None:
            if row not in unseen and not (picture and _outdated(past, fault, picture["watch"]["id"])):
                unseen.append(row)
        else:
            row["id"] = rows[where]["id"]
            row["start"] = row["start"] or rows[where]["start"]
            rows[where] = row
    return [*unseen, *rows][:FAULTS_MOST]


def _same(past: Past, fault: dict[str, Any], watch_id: int) -> int | None:
    name = (watch_id, fault["kind"], fault["line"], fault["message"])
    for where, (stored, watch) in enumerate(past.faults):
        near_ns = abs(stored.start_ns - watch.started_ns - fault["start_s"] * 1e9)
        if near_ns < SAME_START_NS and name == (stored.watch, stored.kind, stored.line, stored.message):
            return where
    return None


def _outdated(past: Past, fault: dict[str, Any], watch_id: int) -> bool:
    """Whether history has as many newer ones as are shown: then this one is over, and not among the last."""
    if len(past.faults) < FAULTS_MOST or fault["end_s"] is None:
        return False
    oldest, watch = past.faults[-1]
    return watch.id == watch_id and fault["start_s"] * 1e9 < oldest.start_ns - watch.started_ns


def _from_history(fault: StoredFault, watch: Watch) -> dict[str, Any]:
    start = from_ns(watch.utc_ns(fault.start_ns))
    lasted_s = None if fault.end_ns is None else (fault.end_ns - fault.start_ns) / 1e9
    return {
        "id": fault.id,
        "line": fault.line,
        "says": fault.says,
        "start": start,
        "end": None if lasted_s is None else start + timedelta(seconds=lasted_s),
        "on": fault.end_ns is None,
        "lasted_s": lasted_s,
    }


def row_of(fault: dict[str, Any], now_s: float | None) -> dict[str, Any]:
    """A fault of the picture as `last_faults` tells it. now_s: how old the watch is."""
    end_s = now_s if fault["end_s"] is None else fault["end_s"]
    return {
        "id": None,
        "line": fault["line"],
        "says": fault["says"],
        "start": from_iso(fault["start_utc"]),
        "end": from_iso(fault["end_utc"]),
        "on": fault["end_s"] is None,
        "lasted_s": None if end_s is None else max(0.0, end_s - fault["start_s"]),
    }
