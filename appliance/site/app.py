"""The Flask application, put together from its pages."""

from __future__ import annotations

import threading
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

from flask import Flask, redirect, render_template, request
from werkzeug.exceptions import HTTPException, NotFound
from werkzeug.wrappers import Response as AnyResponse

from appliance import recent_log
from appliance.site import (
    box_page,
    catching_up,
    change_pages,
    front_page,
    guard,
    help_page,
    job,
    languages,
    letting_in,
    message_page,
    needs_pages,
    past_pages,
    places,
    portal,
    track_page,
    wiggle,
    words,
)
from appliance.site.board import Board
from appliance.site.glance import Glance
from appliance.site.handing_over import Unit
from appliance.site.languages import Languages
from appliance.site.lines import floor_says
from appliance.site.picture import PictureFile
from appliance.site.streams import Streams


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
    pin: str = "",
    state_folder: Path | None = None,
    needs_folders: Sequence[Path] = (),
    host_names: Collection[str] = (),
    log: recent_log.RecentLog | None = None,
    unit: Unit | None = None,
    stop: threading.Event | None = None,
) -> Flask:
    """The page. machine: shown while no picture tells it. host_names: further names under which the box may be called.

    pin: asked for before anything is changed; "": nothing can be. state_folder: where it keeps what outlives a
    restart. needs_folders: where needs sheets lie beside those that come along, the user's own first. stop: set it to
    end all streams. log: what this process logs, to be shown. unit: what changes the box itself.
    None of the files need exist yet.
    """
    app, ending = _bare(machine), stop or threading.Event()
    app.extensions["linelamp-stop"] = ending
    guard.install(app, host_names)
    letting_in.install(app, letting_in.Door(pin, state_folder))
    tongues = Languages(web_folder() / "languages")
    places.install(app)
    languages.install(app, tongues)
    portal.install(app)
    catching_up.install(app, command_socket)
    picture = PictureFile(picture_path)
    _live(
        app, picture, Glance(history_path), tongues,
        test_path=picture_path.with_name(wiggle.NAME), command_socket=command_socket, ending=ending,
    )  # fmt: skip
    past_pages.install(app, history_path, ending)
    job.install(app, history_path, command_socket)
    needs_pages.install(app, picture, needs_folders, command_socket)
    help_page.install(app)
    unit = unit or Unit(history_path)
    box_page.install(app, picture, history_path, command_socket, unit, log=log or recent_log.RecentLog())
    change_pages.install(app, unit, command_socket)
    _errors(app)
    return app


def _bare(machine: str) -> Flask:
    """An application that knows its templates and has no page yet."""
    web = web_folder()
    app = Flask("appliance.site", template_folder=str(web / "templates"), static_folder=str(web / "static"))
    app.jinja_env.filters.update(words.FILTERS, **track_page.FILTERS, floor_says=floor_says)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.globals["box_machine"] = machine
    app.config["MAX_CONTENT_LENGTH"] = 16 * 1024
    return app


def _live(
    app: Flask, picture: PictureFile, glance: Glance, tongues: Languages, *,
    test_path: Path, command_socket: Path, ending: threading.Event,
) -> None:  # fmt: skip
    """The pages that renew themselves: their streams are counted together."""
    streams = Streams()

    def render(template: str, known: Mapping[str, Any]) -> str:
        return app.jinja_env.get_template(template).render(known)

    front_page.install(
        app, Board(picture, glance, render), tongues, streams=streams, ending=ending, command_socket=command_socket
    )
    messages = Board(picture, glance, render, parts=message_page.PARTS)
    message_page.install(app, messages, tongues, streams, ending)
    wiggle.install(
        app, picture, test_path, command_socket, render=render, tongues=tongues, streams=streams, ending=ending
    )


def _errors(app: Flask) -> None:
    @app.errorhandler(HTTPException)
    def plain_error(error: HTTPException) -> tuple[str, int]:
        says = error.description or "That did not work."
        return render_template("error.html", says=says), error.code or 500

    @app.errorhandler(405)
    def an_order_that_is_only_opened(error: HTTPException) -> AnyResponse | tuple[str, int]:
        """The address of an order, reloaded or typed, leads to the page on which the order is given."""
        if request.method != "GET" or request.accept_mimetypes.best != "text/html":
            return plain_error(error)
        return redirect(request.path.rsplit("/", 1)[0] or "/", 303)

    @app.errorhandler(404)
    def not_here(error: HTTPException) -> tuple[str, int]:
        told = error.description if error.description != NotFound.description else "There is no such page on this box."
        return render_template("error.html", says=told), 404
