"""The Flask application: its pages, and the JSON behind them."""

from __future__ import annotations

import json
import threading
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from flask import Flask, Response, redirect, render_template, request
from werkzeug.exceptions import HTTPException, NotFound
from werkzeug.wrappers import Response as AnyResponse

from appliance.asking import AskError, ask
from appliance.site import guard, past_pages, words
from appliance.site.board import Board, events
from appliance.site.glance import Glance
from appliance.site.picture import PictureFile

STREAMS_MOST = 24
"""Phones that can watch at once; each holds a thread. Our choice."""

NOTE_MOST_CHARACTERS = 200

SAID = {
    "marked": "Marked.",
}
"""What the front page may be told to say; nothing else can be put there by an address."""


def web_folder() -> Path:
    """Templates and static files: within the package where it was installed, else at the root of the project."""
    package = Path(__file__).parents[1]
    return package / "web" if (package / "web").is_dir() else package.parent / "web"


def create_app(
    picture_path: Path,
    history_path: Path,
    command_socket: Path,
    *,
    machine: str = "",
    host_names: Collection[str] = (),
    stop: threading.Event | None = None,
) -> Flask:
    """The page. machine: shown while no picture tells it. host_names: further names under which the box may be called.

    stop: set it to end all streams. None of the files need exist yet.
    """
    web = web_folder()
    app = Flask("appliance.site", template_folder=str(web / "templates"), static_folder=str(web / "static"))
    app.jinja_env.filters.update(words.FILTERS)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.globals["box_machine"] = machine
    app.config["MAX_CONTENT_LENGTH"] = 16 * 1024

    def render(template: str, known: Mapping[str, Any]) -> str:
        return app.jinja_env.get_template(template).render(known)

    board = Board(PictureFile(picture_path), Glance(history_path), render)
    ending = stop or threading.Event()
    app.extensions["linelamp-stop"] = ending
    guard.install(app, host_names)
    _live(app, board, ending)
    _mark(app, command_socket)
    past_pages.install(app, history_path, ending)

    @app.errorhandler(HTTPException)
    def plain_error(error: HTTPException) -> tuple[str, int]:
        says = error.description or "That did not work."
        return render_template("error.html", says=says), error.code or 500

    @app.errorhandler(404)
    def not_here(error: HTTPException) -> tuple[str, int]:
        told = error.description if error.description != NotFound.description else "There is no such page on this box."
        return render_template("error.html", says=told), 404

    return app


def _live(app: Flask, board: Board, ending: threading.Event) -> None:
    """The front page, the picture behind it and the stream that renews it."""
    free = threading.BoundedSemaphore(STREAMS_MOST)

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
        if not free.acquire(blocking=False):
            says = f"{STREAMS_MOST} phones are watching already, which is all this box can serve. Reload later."
            return Response(says, 503, mimetype="text/plain", headers={"Retry-After": "10"})
        response = Response(events(board, ending), mimetype="text/event-stream")
        response.call_on_close(free.release)
        return response


def _mark(app: Flask, command_socket: Path) -> None:
    @app.post("/mark")
    def mark() -> tuple[str | Response, int] | AnyResponse:
        quiet = request.accept_mimetypes.best == "application/json"
        if not guard.from_own_page():
            says, status = "A mark can be set only from the page of this box.", 403
        else:
            note = " ".join(request.form.get("note", "").split())[:NOTE_MOST_CHARACTERS]
            try:
                ask(command_socket, {"do": "mark", "note": note})
                says, status = SAID["marked"], 200
            except AskError as error:
                says, status = str(error), 503
        if quiet:
            body = json.dumps({"ok": status == 200, "says": says})
            return Response(body, status, mimetype="application/json"), status
        if status == 200:
            return redirect("/?said=marked#marks", 303)
        return render_template("error.html", says=says), status
