"""The pages that list all that history holds, watches and faults: the newest first, and page by page what is older."""

from __future__ import annotations

from pathlib import Path

from flask import Flask, render_template

from appliance.history.reader import History
from appliance.site.spans import watch_words
from appliance.site.which_watch import number, of
from appliance.site.words import LINE_WORDS, NS, from_ns

ROWS_MOST = 50
"""On a page. Our choice."""


def install(app: Flask, history_path: Path) -> None:
    """Adds the pages."""

    @app.get("/watches")
    def watches() -> str:
        before = number("before")
        with History(history_path) as history:
            found = history.watches(ROWS_MOST + 1, before)
            counts = {watch.id: history.fault_count(watch.id) for watch in found[:ROWS_MOST]}
        return render_template(
            "watches.html", rows=found[:ROWS_MOST], counts=counts, watch_words=watch_words, newest=before is None,
            older=found[ROWS_MOST - 1].id if len(found) > ROWS_MOST else None,
        )  # fmt: skip

    @app.get("/faults")
    def faults() -> str:
        asked, before = number("watch"), number("before")
        with History(history_path) as history:
            only = None if asked is None else of(history, asked)
            found = history.faults(asked, ROWS_MOST + 1, before)
            watches = {id_: history.watch(id_) for id_ in {fault.watch for fault in found}}
        rows = [
            {
                "id": fault.id,
                "says": fault.says,
                "line": fault.line,
                "start": from_ns(watches[fault.watch].utc_ns(fault.start_ns)),
                "lasted_s": None if fault.end_ns is None else (fault.end_ns - fault.start_ns) / NS,
            }
            for fault in found[:ROWS_MOST]
        ]
        return render_template(
            "faults.html", rows=rows, only=only, watch_words=watch_words, line_words=LINE_WORDS, newest=before is None,
            older=found[ROWS_MOST - 1].id if len(found) > ROWS_MOST else None,
        )  # fmt: skip
