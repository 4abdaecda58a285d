"""The pages about what was: a fault with its evidence, and the take-away."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

from flask import Flask, Response, abort, render_template, request

from appliance.history.reader import History
from appliance.history.rows import HistoryError, Watch
from appliance.site import fault_page
from appliance.site.spans import CHOICES, field_times, resolve, watch_words
from appliance.site.words import LINE_WORDS
from appliance.take.forms import FORMS
from appliance.take.name import file_name
from appliance.take.span import SpanError

DOWNLOADS_MOST = 4
"""Downloads at once; each holds a thread and a reader of history. Our choice."""

WATCHES_MOST = 50


def install(app: Flask, history_path: Path, ending: threading.Event) -> None:
    """Adds the pages to app. ending: ends downloads that are under way."""

    @app.errorhandler(HistoryError)
    def unreadable(error: HistoryError) -> tuple[str, int]:
        return render_template("error.html", says=str(error)), 503

    fault_page.install(app, history_path)
    _take(app, history_path, ending)


def _take(app: Flask, history_path: Path, ending: threading.Event) -> None:
    free = threading.BoundedSemaphore(DOWNLOADS_MOST)

    @app.get("/take")
    def take() -> str:
        with History(history_path) as history:
            watches = history.watches()
            watch = _chosen(watches)
            sizes = _sizes(history, watch) if watch else {}
        return render_template(
            "take.html", watches=watches[:WATCHES_MOST], watch=watch, sizes=sizes, forms=FORMS, choices=CHOICES,
            line_words=LINE_WORDS, watch_words=watch_words, asked=request.args,
            times=field_times(watch) if watch else (),
        )  # fmt: skip

    @app.get("/take/<form>")
    def download(form: str) -> Response:
        if form not in FORMS:
            abort(404)
        line = request.args.get("line", "from-receiver")
        if line not in LINE_WORDS:
            abort(400, "Choose the line from the receiver or the line from the controller.")
        with History(history_path) as history:
            watch = _chosen(history.watches())
        if watch is None:
            abort(404, "That watch is not in the history of this box.")
        try:
            span = resolve(watch, request.args)
        except SpanError as error:
            abort(400, str(error))
        if not free.acquire(blocking=False):
            abort(503, f"{DOWNLOADS_MOST} downloads are under way, which is all this box can serve. Try again later.")

        def pieces() -> Iterator[bytes]:
            with History(history_path) as history:
                for piece in FORMS[form].lines(history, watch, line, span.from_ns, span.to_ns):
                    if ending.is_set():
                        return
                    yield piece

        response = Response(pieces(), content_type=FORMS[form].mimetype)
        response.call_on_close(free.release)
        name = file_name(watch, FORMS[form], line, span.from_ns, span.to_ns)
        response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
        return response


def _chosen(watches: list[Watch]) -> Watch | None:
    """The watch asked for; the newest where none is."""
    asked = request.args.get("watch", "")
    if not asked:
        return watches[0] if watches else None
    return next((watch for watch in watches if str(watch.id) == asked), None)


def _sizes(history: History, watch: Watch) -> dict[str, dict[str, int]]:
    """Raw bytes by line of each span that can be told beforehand."""
    spans = {choice: resolve(watch, {"span": choice}) for choice in CHOICES if choice != "between"}
    return {choice: history.sizes(watch.id, span.from_ns, span.to_ns) for choice, span in spans.items()}
