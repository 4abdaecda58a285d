"""The page of the messages: each by itself, live."""

from __future__ import annotations

import threading

from flask import Flask, Response, render_template, request

from appliance.site.board import Board, events
from appliance.site.languages import Languages
from appliance.site.streams import Streams

PARTS = ("head", "cards")


def install(app: Flask, board: Board, tongues: Languages, streams: Streams, ending: threading.Event) -> None:
    """Adds the page and the stream that renews it. board: of PARTS."""

    @app.get("/messages")
    def messages() -> str:
        return render_template("messages.html", view=board.view(wait=True))

    @app.get("/messages/live")
    def messages_live() -> Response:
        seen = request.headers.get("Last-Event-ID") or request.args.get("after", "")
        return streams.answer(events(board, ending, after=seen, put=tongues.asked().put))
