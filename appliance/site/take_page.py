"""The page that lets one take a watch away: which, from when to when, in which form, how large, and how far it is."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Generator
from pathlib import Path
from typing import Any

from flask import Flask, Response, abort, jsonify, render_template, request
from werkzeug.datastructures import MultiDict

from appliance.history.reader import History
from appliance.history.rows import Watch
from appliance.history.schema import RECEIVER
from appliance.site.codes import of_address
from appliance.site.spans import CHOICES, field_times, resolve, watch_words
from appliance.site.which_watch import chosen, needed, offered
from appliance.site.words import LINE_WORDS
from appliance.take.forms import FORMS
from appliance.take.name import file_name
from appliance.take.sizes import about
from appliance.take.span import Span, SpanError

DOWNLOADS_MOST = 4
"""Downloads at once; each holds a thread and a reader of history. Our choice."""
TICKETS_MOST = 32
TICKET_LONGEST = 32

Sizes = dict[str, dict[str, int]]
"""By line and form."""


class Tickets:
    """How far downloads are, each by a name that the page made up. The oldest are forgotten."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._told: dict[str, dict[str, Any]] = {}

    def begin(self, ticket: str, size: int) -> None:
        """about: how many bytes it will be."""
        with self._lock:
            while len(self._told) >= TICKETS_MOST:
                del self._told[next(iter(self._told))]
            self._told[ticket] = {"sent": 0, "about": size, "done": False}

    def sent(self, ticket: str, size: int) -> None:
        """So many bytes more."""
        with self._lock:
            if ticket in self._told:
                self._told[ticket]["sent"] += size

    def done(self, ticket: str) -> None:
        """All of it is sent."""
        with self._lock:
            if ticket in self._told:
                self._told[ticket]["done"] = True

    def look(self, ticket: str) -> dict[str, Any] | None:
        """sent, about, done; None where nothing is known of it."""
        with self._lock:
            told = self._told.get(ticket)
            return None if told is None else dict(told)


def install(app: Flask, history_path: Path, ending: threading.Event) -> None:
    """Adds the page and its downloads. ending: ends downloads that are under way."""
    tickets = Tickets()

    @app.get("/take")
    def take() -> str:
        with History(history_path) as history:
            watch = chosen(history)
            watches = offered(history, watch)
            sizes = _sizes(history, watch) if watch else {}
        address = f"{request.url_root}take" + (f"?watch={watch.id}" if watch else "")
        return render_template(
            "take.html", watches=watches, watch=watch, sizes=sizes, forms=FORMS, choices=CHOICES,
            line_words=LINE_WORDS, watch_words=watch_words, asked=_asked(sizes), address=address,
            code=of_address(address),
            times=field_times(watch) if watch else (),
        )  # fmt: skip

    @app.get("/take/sizes.json")
    def take_sizes() -> Response:
        """Of the span from … to …, which nobody can know before."""
        with History(history_path) as history:
            watch = needed(history)
            return jsonify(_of(history, watch, _span(watch, request.args)))

    @app.get("/take/progress.json")
    def take_progress() -> Response:
        told = tickets.look(request.args.get("ticket", ""))
        if told is None:
            abort(404, "Nothing is known of that download.")
        return jsonify(told)

    _download(app, history_path, ending, tickets)


def _download(app: Flask, history_path: Path, ending: threading.Event, tickets: Tickets) -> None:
    free = threading.BoundedSemaphore(DOWNLOADS_MOST)

    @app.get("/take/<form>")
    def download(form: str) -> Response:
        if form not in FORMS:
            abort(404)
        line = request.args.get("line", RECEIVER)
        if line not in LINE_WORDS:
            abort(400, "Choose the line from the receiver or the line from the controller.")
        ticket = request.args.get("ticket", "")[:TICKET_LONGEST]
        with History(history_path) as history:
            watch = needed(history)
            span = _span(watch, request.args)
            size = about(history, watch, line, span.from_ns, span.to_ns)[form] if ticket else 0
        if not free.acquire(blocking=False):
            abort(503, f"{DOWNLOADS_MOST} downloads are under way, which is all this box can serve. Try again later.")
        if ticket:
            tickets.begin(ticket, size)

        def pieces() -> Generator[bytes, None, None]:
            with History(history_path) as history:
                for piece in FORMS[form].lines(history, watch, line, span.from_ns, span.to_ns):
                    if ending.is_set():
                        return
                    yield piece
                    tickets.sent(ticket, len(piece))
            tickets.done(ticket)

        sending = pieces()
        try:
            first = next(sending, b"")  # what cannot be read at all is told on a page, and not as a broken file
        except BaseException:
            free.release()
            raise
        response = Response(itertools.chain((first,), sending), content_type=FORMS[form].mimetype)
        response.call_on_close(sending.close)
        response.call_on_close(free.release)
        name = file_name(watch, FORMS[form], line, span.from_ns, span.to_ns)
        response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
        return response


def _span(watch: Watch, asked: MultiDict[str, str]) -> Span:
    try:
        return resolve(watch, asked)
    except SpanError as error:
        abort(400, str(error))


def _sizes(history: History, watch: Watch) -> dict[str, Sizes]:
    """By choice of the span; of from … to … only where the address tells it, and it can be."""
    spans = {choice: resolve(watch, {"span": choice}) for choice in CHOICES if choice != "between"}
    if request.args.get("from") and request.args.get("to"):
        spans["between"] = _span(watch, MultiDict({**request.args.to_dict(), "span": "between"}))
    return {choice: _of(history, watch, span) for choice, span in spans.items()}


def _of(history: History, watch: Watch, span: Span) -> Sizes:
    return {line: about(history, watch, line, span.from_ns, span.to_ns) for line in LINE_WORDS}


def _asked(sizes: dict[str, Sizes]) -> dict[str, str]:
    """What the address asks for, or what is offered first."""
    span, line = request.args.get("span", "whole"), request.args.get("line", RECEIVER)
    return {
        "span": span if span in sizes else "whole",
        "line": line if line in LINE_WORDS else RECEIVER,
        "from": request.args.get("from", ""),
        "to": request.args.get("to", ""),
    }
