"""The pages that change the box itself: another Wi-Fi, and an update that is taken in from this phone."""

from __future__ import annotations

import json
import logging
from pathlib import Path
from typing import Any

from flask import Flask, Response, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from appliance import wishes
from appliance.asking import AskError, ask
from appliance.site.countries import countries
from appliance.site.handing_over import STATE_WORDS, Unit, under_way
from appliance.site.intake import PIECE_BYTES, Intake, NotTaken
from appliance.site.letting_in import changes
from appliance.site.wifi_form import CHANNELS, FIELDS, cleaned, join_code, problems
from appliance.site.words import size
from appliance.wishes import Answer

BACK_AFTER_MIN = 10
"""For so long the box waits for somebody to join its changed Wi-Fi, before it takes the one from before again."""
NO_UNIT = "This box has no part that may do this. It was installed without it."
log = logging.getLogger("linelamp.web")


def install(app: Flask, unit: Unit, command_socket: Path) -> None:
    """Adds the pages to app."""
    app.jinja_env.globals["handed_words"] = STATE_WORDS
    _wifi(app, unit, command_socket)
    _update(app, unit, command_socket)

    @app.get("/box/changes.json")
    def box_changes() -> Response:
        return _json({
            "there": unit.takes_updates, "waits": unit.update_waits,
            "update": _plain(unit.update_answer()), "wifi": _plain(unit.wifi_answer()),
        })  # fmt: skip


def _wifi(app: Flask, unit: Unit, command_socket: Path) -> None:
    def page(typed: dict[str, str], wrong: dict[str, str] | None = None, trouble: str = "") -> str:
        return render_template(
            "wifi.html", there=unit.wifi_now is not None, fields=FIELDS, typed=typed, problems=wrong or {},
            trouble=trouble, answer=unit.wifi_answer(), back_after_min=BACK_AFTER_MIN,
            choices={"country": countries(), "channel": {str(one): str(one) for one in CHANNELS}},
        )  # fmt: skip

    @app.get("/box/wifi")
    def box_wifi() -> str:
        return page({name: str(value) for name, value in (unit.wifi_now or {}).items()})

    @app.post("/box/wifi")
    @changes
    def wifi_change() -> AnyResponse | str | tuple[str, int]:
        typed = cleaned(request.form)
        if unit.wifi_now is None:
            return page(typed, trouble=NO_UNIT), 409
        if wrong := problems(typed):
            return page(typed, wrong), 422
        try:
            unit.want_wifi(typed | {"channel": int(typed["channel"])})
        except OSError as trouble:
            return page(typed, trouble=f"The box could not keep it: {trouble.strerror}. Nothing was changed."), 503
        _mark(command_socket, "wifi", typed["name"])
        return render_template(
            "wifi_next.html", name=typed["name"], passphrase=typed["passphrase"], address=request.url_root,
            code=join_code(typed["name"], typed["passphrase"]), back_after_min=BACK_AFTER_MIN,
        )  # fmt: skip


def _update(app: Flask, unit: Unit, command_socket: Path) -> None:
    intake = Intake(unit.update_folder)

    @app.get("/box/update")
    def box_update() -> str:
        return render_template(
            "update.html", there=unit.takes_updates, before=unit.version_before, answer=unit.update_answer(),
            busy=unit.update_waits or under_way(unit.update_answer()), size_most=wishes.BUNDLE_MOST_BYTES,
        )  # fmt: skip

    @app.post("/box/update/begin")
    @changes
    def update_begin() -> Response:
        if refused := _cannot(unit):
            return _json({"ok": False, "says": refused}, 409)
        try:
            ticket = intake.begin(request.form.get("size", 0, type=int))
        except NotTaken as trouble:
            return _json({"ok": False, "says": str(trouble)}, 409)
        except OSError as trouble:
            return _json({"ok": False, "says": _disk_says(trouble)}, 503)
        return _json({"ok": True, "says": "It is coming in.", "ticket": ticket, "piece": PIECE_BYTES})

    @app.post("/box/update/piece")
    @changes
    def update_piece() -> Response:
        sent = request.files.get("piece")
        try:
            at, done = intake.add(
                request.form.get("ticket", ""), request.form.get("at", -1, type=int), sent.read() if sent else b""
            )
        except NotTaken as trouble:
            return _json({"ok": False, "says": str(trouble)}, 409)
        except OSError as trouble:
            return _json({"ok": False, "says": _disk_says(trouble)}, 503)
        if done:
            _mark(command_socket, "update", size(at))
        return _json({"ok": True, "says": "All of it is in." if done else "", "at": at, "done": done})

    @app.post("/box/update/back")
    @changes
    def update_back() -> AnyResponse:
        if refused := _cannot(unit) or ("" if unit.version_before else "There is no version before this one."):
            return Response(render_template("error.html", says=refused), 409)
        try:
            unit.want_version_before()
        except OSError as trouble:
            return Response(render_template("error.html", says=_disk_says(trouble)), 503)
        _mark(command_socket, "version-before", "")
        return redirect("/box/update", 303)


def _cannot(unit: Unit) -> str:
    """Why no update can be begun now; "" where one can."""
    if not unit.takes_updates:
        return NO_UNIT
    busy = unit.update_waits or under_way(unit.update_answer())
    return "The box is still busy with the update before." if busy else ""


def _mark(command_socket: Path, what: str, of: str) -> None:
    """A mark of the box, as every change leaves one. A listening part that does not answer may be why one updates."""
    try:
        ask(command_socket, {"do": "handed-over", "what": what, "of": of})
    except AskError as trouble:
        log.warning("no mark was left of what was handed over (%s %s): %s", what, of, trouble)


def _disk_says(trouble: OSError) -> str:
    return f"The card could not be written: {trouble.strerror or trouble}. Nothing was changed."


def _plain(answer: Answer | None) -> dict[str, Any] | None:
    if answer is None:
        return None
    return {
        "state": answer.state, "words": STATE_WORDS[answer.state], "under_way": under_way(answer),
        "says": answer.says, "version": answer.version, "utc": answer.utc,
    }  # fmt: skip


def _json(told: dict[str, Any], status: int = 200) -> Response:
    return Response(json.dumps(told), status, mimetype="application/json")
