"""The front page in parts, made once for everybody who watches, and the stream that carries what changed.

The first view and every update come from the same templates, escaped here. A part is sent again only if it reads
differently. A change of the verdict is shown at once; all other numbers once a second, which is what an eye can read
and what spares the box and the phone.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from appliance.site.glance import Glance
from appliance.site.picture import PictureFile, Sight
from appliance.site.streams import BEAT_S
from appliance.site.view import PARTS, context
from appliance.site.words import from_iso

CALM_S = 1.0
"""Numbers are renewed this often, in s. Our choice."""

LOOK_S = 0.1
"""How often a stream looks for news, in s: a tenth of the second within which a verdict has to be seen."""

Render = Callable[[str, Mapping[str, Any]], str]


@dataclass(slots=True, frozen=True)
class View:
    """The front page at one moment. parts: HTML by name. urgent: what must be shown at once when it changes."""

    urgent: tuple[object, ...] = ()
    state: str = "no-go"
    title: str = ""
    parts: dict[str, str] = field(default_factory=dict)


class Board:
    """Safe for several threads. render(template, context) gives HTML that is escaped already."""

    def __init__(
        self, picture: PictureFile, glance: Glance, render: Render, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._picture = picture
        self._glance = glance
        self._render = render
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._view = View()
        self._made_s = float("-inf")

    def sight(self) -> Sight:
        """The picture as it is now."""
        with self._lock:
            return self._picture.look()

    def view(self, *, wait: bool = False) -> View:
        """The page as it is now, at most CALM_S old, and never behind the verdict. wait: for history to be read."""
        self._glance.refresh(self._utc_ns(), wait=wait)
        with self._lock:
            sight = self._picture.look()
            urgent = _urgent(sight)
            now_s = self._monotonic()
            if urgent != self._view.urgent or now_s - self._made_s >= CALM_S or wait:
                self._view = self._make(sight, urgent)
                self._made_s = now_s
            return self._view

    def _make(self, sight: Sight, urgent: tuple[object, ...]) -> View:
        known = context(sight, self._glance.past)
        parts = {name: self._render(f"parts/{name}.html", known).strip() for name in PARTS}
        return View(urgent, known["state"], known["state_words"][known["state"]], parts)

    def _utc_ns(self) -> int:
        with self._lock:
            picture = self._picture.look().picture
        when = from_iso(picture["at_utc"]) if picture else None
        return time.time_ns() if when is None else _ns(when)


def _urgent(sight: Sight) -> tuple[object, ...]:
    if sight.picture is None:
        return (sight.says,)
    picture = sight.picture
    verdict, lines = picture["verdict"], picture["lines"]
    failing = tuple(check["id"] + check["message"] for check in picture["checks"] if check["state"] == "fail")
    ports = tuple(line["port_state"] for line in lines)
    return (verdict["state"], failing, ports, len(picture["faults_open"]), picture["marks"][:1])


def _ns(when: datetime) -> int:
    return int(when.timestamp() * 1_000_000) * 1000


def events(
    board: Board,
    stop: threading.Event,
    monotonic: Callable[[], float] = time.monotonic,
) -> Iterator[str]:
    """Server-sent events without end, until stop is set: "parts" with what changed, "beat" where nothing did.

    The first event holds every part, so a page that lost touch needs nothing but to come again.
    Source: HTML Living Standard, server-sent events.
    """
    shown: dict[str, str] = {}
    number, told_s = 0, float("-inf")
    yield "retry: 1000\n\n"
    while not stop.is_set():
        view = board.view()
        fresh = {name: html for name, html in view.parts.items() if shown.get(name) != html}
        if fresh:
            shown |= fresh
            number += 1
            told_s = monotonic()
            data = json.dumps({"state": view.state, "title": view.title, "parts": fresh}, separators=(",", ":"))
            yield f"id: {number}\nevent: parts\ndata: {data}\n\n"
        elif monotonic() - told_s >= BEAT_S:
            told_s = monotonic()
            yield "event: beat\ndata: {}\n\n"
        stop.wait(LOOK_S)
