"""The box itself: ports, clock, card, machine, log; what can be tried, and what can be done for good."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from flask import Flask, Response, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from appliance.asking import AskError, ask
from appliance.box_state import SYS
from appliance.history.reader import History
from appliance.history.rows import HistoryError, Watch
from appliance.recent_log import RecentLog
from appliance.site import guard, hardware
from appliance.site.handing_over import Unit
from appliance.site.letting_in import changes
from appliance.site.orders import carry_out
from appliance.site.picture import PictureFile
from appliance.site.spans import watch_words
from appliance.site.which_watch import chosen, offered
from appliance.site.words import LINE_WORDS, from_iso, from_ns

SAID = {
    "erasing": "It is being erased. A mark tells when it is done.",
    "stopped": "The box stops in good order. Switch it off and on to listen again.",
}
CHANGES_MOST = 20
"""Of what the box did, the newest so many are told. Our choice."""
NOT_CONFIRMED = "Nothing was erased: tick that you want it erased for good."


def install(
    app: Flask,
    picture: PictureFile,
    history_path: Path,
    command_socket: Path,
    unit: Unit,
    *,
    log: RecentLog,
    sys: Path = SYS,
) -> None:
    """Adds the page to app. log: of this process."""

    def page(tried: list[dict[str, Any]] | None = None, refused: str = "") -> str:
        sight = picture.look()
        watches, done, trouble = _history(history_path)
        return render_template(
            "box.html", picture=sight.picture, says=sight.says, machine=hardware.look(sys),
            room=hardware.room(history_path), watches=watches, watch_words=watch_words, done=done, trouble=trouble,
            log=_log(command_socket, log), tried=tried, refused=refused, said=SAID.get(request.args.get("said", "")),
            line_words=LINE_WORDS, hot_c=hardware.HOT_C,
            unit=unit, update_answer=unit.update_answer(), wifi_answer=unit.wifi_answer(),
            now=from_iso(sight.picture["at_utc"]) if sight.picture else None,
        )  # fmt: skip

    @app.get("/box")
    def box() -> str:
        return page()

    @app.post("/box/try")
    def try_it() -> AnyResponse | str:
        if not guard.from_own_page():
            return carry_out(lambda: None, "", "/box")
        try:
            answer = ask(command_socket, {"do": "self-test"})
        except AskError as refused:
            return page(refused=str(refused))
        return page(tried=answer["rows"])

    @app.post("/box/erase")
    @changes
    def erase() -> AnyResponse:
        if request.form.get("sure") != "yes":
            return Response(render_template("error.html", says=NOT_CONFIRMED), 422)
        which = request.form.get("watch", "")
        watch: int | str = int(which) if which.isascii() and which.isdigit() and len(which) < 10 else which
        order = {"do": "erase", "watch": watch}
        return carry_out(lambda: ask(command_socket, order), SAID["erasing"], "/box?said=erasing")

    @app.post("/box/stop")
    @changes
    def stop() -> AnyResponse:
        return carry_out(lambda: ask(command_socket, {"do": "stop"}), SAID["stopped"], "/box?said=stopped")


def _history(path: Path) -> tuple[list[Watch], list[tuple[Any, str]], str]:
    """The watches to choose from, what the box did (when and what, newest first), and what is wrong with history."""
    try:
        with History(path) as history:
            marks = history.box_marks(CHANGES_MOST)
            of = {id_: history.watch(id_) for id_ in {id_ for id_, _ in marks}}
            watches = offered(history, chosen(history))
    except (HistoryError, OSError) as error:
        return [], [], str(error)
    return watches, [(from_ns(of[id_].utc_ns(mark.at_ns)), mark.note) for id_, mark in marks], ""


def _log(command_socket: Path, own: RecentLog) -> list[dict[str, Any]]:
    """Both processes' rows, newest first."""
    rows = [row | {"who": "page"} for row in own.rows]
    try:
        rows += [row | {"who": "listening"} for row in ask(command_socket, {"do": "log"})["rows"]]
    except AskError:
        rows.append({"at_utc": "", "level": "error", "says": "The listening part does not answer.", "who": "listening"})
    return sorted(rows, key=lambda row: str(row["at_utc"]), reverse=True)
