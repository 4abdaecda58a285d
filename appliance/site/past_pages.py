"""The pages about what was, and what they say where history cannot be read."""

from __future__ import annotations

import threading
from pathlib import Path

from flask import Flask, render_template

from appliance.history.rows import HistoryDamaged, HistoryError
from appliance.site import all_pages, day_page, fault_page, pattern_page, take_page, track_page

DAMAGED_ADVICE = "Switch the box off and on: it sets a damaged history aside, whole, and begins a new one."


def install(app: Flask, history_path: Path, ending: threading.Event) -> None:
    """Adds the pages to app. ending: ends downloads that are under way."""

    @app.errorhandler(HistoryError)
    def unreadable(error: HistoryError) -> tuple[str, int]:
        advice = DAMAGED_ADVICE if isinstance(error, HistoryDamaged) else ""
        return render_template("error.html", says=str(error), advice=advice), 503

    fault_page.install(app, history_path)
    day_page.install(app, history_path)
    track_page.install(app, history_path)
    pattern_page.install(app, history_path)
    take_page.install(app, history_path, ending)
    all_pages.install(app, history_path)
