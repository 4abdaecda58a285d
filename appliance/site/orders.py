"""What a page asks the listening part to do: for pages of this box alone, answered to a script and to a form alike."""

from __future__ import annotations

import json
from collections.abc import Callable

from flask import Response, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from appliance.asking import AskError
from appliance.site import guard


def carry_out(order: Callable[[], object], done: str, back: str) -> AnyResponse:
    """Carries out what the request at hand asked for by POST. done: what to say then. back: where a form goes then.

    order: raises AskError, which is told. To a script that takes JSON: {"ok": bool, "says": text}.
    """
    says, status = done, 200
    if not guard.from_own_page():
        says, status = "This can be asked only from the page of this box.", 403
    else:
        try:
            order()
        except AskError as error:
            says, status = str(error), 503
    if request.accept_mimetypes.best == "application/json":
        return Response(json.dumps({"ok": status == 200, "says": says}), status, mimetype="application/json")
    if status == 200:
        return redirect(back, 303)
    return Response(render_template("error.html", says=says), status)
