"""Commissioning sheets, made beside the pages: that of a day takes a Pi some minutes, and no page hangs for so long.

One is made at a time, in a thread of its own: it reads all the seconds and bytes of a watch. It is kept until somebody
comes for it, the newest few.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from flask import abort

from appliance.history.reader import History
from appliance.history.rows import Watch
from appliance.site.which_watch import of
from appliance.take.sheet import Report, build
from appliance.take.span import Span, between

KEPT = 3
NOTHING = "Nothing was recorded yet."


@dataclass(slots=True, frozen=True)
class Wanted:
    """What is asked for: watch None: the newest; times as ISO 8601 in UTC, None: of the watch."""

    watch: int | None
    from_utc: str | None
    to_utc: str | None
    anyway: bool


@dataclass(slots=True, frozen=True)
class Made:
    """A sheet, and of what it is."""

    report: Report
    watch: Watch
    span: Span


class Sheets:
    """Gives a sheet once it is made, and sees to it that it is made. For any thread."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._kept: OrderedDict[Wanted, Made | Exception] = OrderedDict()
        self._thread: threading.Thread | None = None
        self._under_way: Wanted | None = None
        self._share = 0.0

    def of(self, wanted: Wanted, wait_s: float) -> Made | float | None:
        """The sheet; or, after wait_s, what share of it is made; None while another is made first.

        Raises what came in the way of making it: as of `build` and `between`, 404 where there is no such watch.
        """
        with self._lock:
            if self._under_way is None and wanted not in self._kept:
                self._under_way, self._share = wanted, 0.0
                self._thread = threading.Thread(target=self._make, args=(wanted,), name="sheet", daemon=True)
                self._thread.start()
            thread = self._thread
        if thread is not None:
            thread.join(wait_s)
        with self._lock:
            made = self._kept.pop(wanted, None)
            share = self._share if self._under_way == wanted else None
        if isinstance(made, Exception):
            raise made
        return made or share

    def _make(self, wanted: Wanted) -> None:
        made: Made | Exception
        try:
            made = self._built(wanted)
        except Exception as trouble:  # whatever it is, who asked is told
            made = trouble
        with self._lock:
            self._kept[wanted], self._under_way = made, None
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)

    def _built(self, wanted: Wanted) -> Made:
        with History(self._path) as history:
            watch = history.latest() if wanted.watch is None else of(history, wanted.watch)
            if watch is None:
                abort(404, NOTHING)
            span = between(watch, wanted.from_utc, wanted.to_utc)
            report = build(history, watch, span, datetime.now(UTC), anyway=wanted.anyway, progress=self._told)
            return Made(report, watch, span)

    def _told(self, share: float) -> None:
        self._share = share
