"""The front page, the picture behind it, the stream that renews it, and the mark that can be set on it."""

from __future__ import annotations

import json
import threading
from pathlib import Path

from flask import Flask, Response, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from appliance.asking import ask
from appliance.site.board import Board, events
from appliance.site.languages import Languages
from appliance.site.orders import carry_out
from appliance.site.streams import Streams

NOTE_MOST_CHARACTERS = 200

SAID = {
    "marked": "Marked.",
}
"""What the front page may be told to say; nothing else can be put there by an address."""


def install(
    app: Flask, board: Board, tongues: Languages, *, streams: Streams, ending: threading.Event, command_socket: Path
) -> None:
    """Adds the page to app. ending: ends its streams."""
    _live(app, board, tongues, streams, ending)
    _mark(app, command_socket)


def _live(app: Flask, board: Board, tongues: Languages, streams: Streams, ending: threading.Event) -> None:
    @app.get("/")
    def front() -> str:
        view = board.view(wait=True)
        return render_template("front.html", view=view, said=SAID.get(request.args.get("said", "")))

    @app.get("/picture")
    def picture() -> Response:
        sight = board.sight()
        if sight.picture is None:
            return Response(json.dumps({"says": sight.says}), 503, mimetype="application/json")
        return Response(sight.raw, mimetype="application/json")

    @app.get("/live")
    def live() -> Response:
        seen = request.headers.get("Last-Event-ID") or request.args.get("after", "")
        return streams.answer(events(board, ending, after=seen, put=tongues.asked().put))


def _mark(app: Flask, command_socket: Path) -> None:
    @app.post("/mark")
    def mark() -> AnyResponse:
        note = " ".join(request.form.get("note", "").split())[:NOTE_MOST_CHARACTERS]
        return carry_out(
            lambda: ask(command_socket, {"do": "mark", "note": note}), SAID["marked"], "/?said=marked#marks"
        )
