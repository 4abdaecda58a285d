"""The front page in parts, made once for everybody who watches, and the stream that carries what changed.

The first view and every update come from the same templates, escaped here. Every change has a number; a phone that
comes again tells the last it has seen, and is sent the parts that changed since. On a stream a part goes whole once,
and then only its rows that read differently. A change of the verdict is shown at once; all other numbers once a second,
which is what an eye can read and what spares the box and the phone.
"""

from __future__ import annotations

import json
import secrets
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
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
    """The front page at one moment. parts: HTML by name. urgent: what must be shown at once when it changes.

    number: of the last change of any part; changed: the same by part. run: of the process, whose numbers these are.
    """

    urgent: tuple[object, ...] = ()
    state: str = "no-go"
    title: str = ""
    parts: dict[str, str] = field(default_factory=dict)
    number: int = 0
    changed: dict[str, int] = field(default_factory=dict)
    run: str = ""

    @property
    def id(self) -> str:
        """What a phone that comes again tells."""
        return f"{self.run}-{self.number}"

    def number_of(self, id_: str) -> int:
        """The number in an id of this run; 0 where it is none, so that every part counts as changed since."""
        run, _, number = id_.partition("-")
        known = run == self.run and number.isascii() and number.isdigit() and len(number) < 16
        return int(number) if known and int(number) <= self.number else 0


class Board:
    """Safe for several threads. render(template, context) gives HTML that is escaped already. parts: of the page."""

    def __init__(
        self,
        picture: PictureFile,
        glance: Glance,
        render: Render,
        monotonic: Callable[[], float] = time.monotonic,
        *,
        parts: Sequence[str] = PARTS,
    ) -> None:
        self._parts = parts
        self._picture = picture
        self._glance = glance
        self._render = render
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._view = View(run=secrets.token_hex(4))
        self._made_s = float("-inf")

    def sight(self) -> Sight:
        """The picture as it is now."""
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
        parts = {name: self._render(f"parts/{name}.html", known).strip() for name in self._parts}
        before = self._view
        fresh = {name for name, html in parts.items() if before.parts.get(name) != html}
        number = before.number + 1 if fresh or before.state != known["state"] else before.number
        changed = before.changed | dict.fromkeys(fresh, number)
        return View(urgent, known["state"], known["state_words"][known["state"]], parts, number, changed, before.run)

    def _utc_ns(self) -> int:
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
    *,
    after: str = "",
    put: Callable[[str], str] = str,
) -> Iterator[str]:
    """Server-sent events without end, until stop is set: "parts" with what changed, "beat" where nothing did.

    after: id of the last event that this page has seen, or the page's own; of parts that did not change since nothing
    is sent. put: says a part in the phone's language. In an event `parts` has HTML by name, `rows` has [number, HTML]
    of the rows of a part sent before.
    Source: HTML Living Standard, server-sent events.
    """
    sent: dict[str, str] = {}
    told_s = float("-inf")
    shown = board.view().number_of(after)
    yield "retry: 1000\n\n"
    while not stop.is_set():
        view = board.view()
        if view.number != shown:
            parts, rows = {}, {}
            for name in (name for name, number in view.changed.items() if number > shown):
                html = put(view.parts[name])
                different = _rows(sent.get(name, ""), html)
                if different is None:
                    parts[name] = html
                else:
                    rows[name] = different
                sent[name] = html
            shown, told_s = view.number, monotonic()
            news = {"state": view.state, "title": put(view.title), "parts": parts, "rows": rows}
            yield f"id: {view.id}\nevent: parts\ndata: {json.dumps(news, separators=(',', ':'))}\n\n"
        elif monotonic() - told_s >= BEAT_S:
            told_s = monotonic()
            yield "event: beat\ndata: {}\n\n"
        stop.wait(LOOK_S)


def _rows(before: str, now: str) -> list[tuple[int, str]] | None:
    """Number and text of the rows that read differently; None where there are not as many as before."""
    old, new = before.split("\n"), now.split("\n")
    if not before or len(old) != len(new):
        return None
    return [(at, row) for at, row in enumerate(new) if row != old[at]]
