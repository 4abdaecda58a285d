"""How many phones can watch at once: each stream of events holds a thread of the server."""

from __future__ import annotations

import threading
from collections.abc import Iterator

from flask import Response

STREAMS_MOST = 24
"""Phones that can watch at once, whatever page they watch. Our choice."""

BEAT_S = 1.0
"""A stream that has no news says so this often, in s, so that the page can tell a quiet box from a lost one."""


class Streams:
    """The streams of one server. most: how many there may be."""

    def __init__(self, most: int = STREAMS_MOST) -> None:
        self._most = most
        self._free = threading.BoundedSemaphore(most)

    def answer(self, events: Iterator[str]) -> Response:
        """The events as an answer without end; or, where there are too many, a refusal in plain words."""
        if not self._free.acquire(blocking=False):
            says = f"{self._most} phones are watching already, which is all this box can serve. Reload later."
            return Response(says, 503, mimetype="text/plain", headers={"Retry-After": "10"})
        response = Response(events, mimetype="text/event-stream")
        response.call_on_close(self._free.release)
        return response
