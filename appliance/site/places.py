"""Where one can go on the page, and whether it is shown light for the sun or dark for the night.

Four places lie under the thumb, the rest behind "More". A place is offered once its page is there.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from flask import Flask, redirect, request
from werkzeug.wrappers import Response

from appliance.site.guard import own_path

LOOK_COOKIE = "look"
LOOK_KEPT_S = 10 * 365 * 86400
LOOKS = {"sun": "light, for the sun", "night": "dark, for the night", "phone": "as this phone is set"}


class Place(NamedTuple):
    """word: as short as a thumb is wide. says: what is there. near: it lies under the thumb, not behind "More"."""

    path: str
    word: str
    says: str
    near: bool = False


PLACES = (
    Place("/", "Now", "May I drive off, and if not, what do I try?", near=True),
    Place("/messages", "Messages", "Each message, what is needed beside what was measured.", near=True),
    Place("/day", "Day", "A whole watch, drawn.", near=True),
    Place("/wiggle", "Wiggle", "Find a bad contact.", near=True),
    Place("/track", "Track", "Where the machine went, and where the faults were."),
    Place("/watches", "Watches", "All that was recorded, by day and machine."),
    Place("/faults", "Faults", "All that were kept, the newest first."),
    Place("/pattern", "Pattern", "What the faults of a watch go with."),
    Place("/job", "Job", "What is fitted to what, and the sheet to sign."),
    Place("/take", "Take away", "The log as a file on this phone."),
    Place("/needs", "Needs", "What the controller must be given."),
    Place("/box", "Box", "How the box itself is."),
    Place("/help", "Help", "Wiring, pins, lamps, cautions."),
)


def install(app: Flask) -> None:
    """Tells every template where one can go, where one is, and the look; adds the switch of the look."""

    @app.context_processor
    def known() -> dict[str, Any]:
        there = {rule.rule for rule in app.url_map.iter_rules()}
        look = request.cookies.get(LOOK_COOKIE, "phone")
        return {
            "places": [place for place in PLACES if place.path in there],
            "here": request.path,
            "look": look if look in LOOKS else "phone",
            "looks": LOOKS,
        }

    @app.get("/look/<chosen>")
    def look(chosen: str) -> Response:
        """Kept on the phone alone, so it is no change of the box, and a link will do."""
        back = redirect(own_path(), 303)
        if chosen in LOOKS:
            back.set_cookie(LOOK_COOKIE, chosen, max_age=LOOK_KEPT_S, httponly=True, samesite="Strict")
        return back
