"""Sees to it that pages drawn from history hold what has come by now, and not only up to the tap's last commit."""

from __future__ import annotations

import contextlib
import threading
import time
from pathlib import Path

from flask import Flask, request

from appliance.asking import AskError, ask

PATHS = ("/box", "/take", "/day", "/track", "/pattern", "/job", "/compare", "/fault/")
NOT = "/take/progress.json"
"""Asked again and again while something is taken away, and not drawn from history."""
EACH_S = 2.0
"""The tap is asked no oftener: each time costs a commit. Our choice, as long as it holds traffic back at most."""
_WAIT_S = 1.0


def install(app: Flask, command_socket: Path) -> None:
    """Asks the tap before a page of PATHS is made. Where it does not answer, the page shows what there is."""
    asking = threading.Lock()
    asked_s = [-EACH_S]

    @app.before_request
    def catch_up() -> None:
        if request.path == NOT or not request.path.startswith(PATHS) or not asking.acquire(blocking=False):
            return
        try:
            if time.monotonic() - asked_s[0] >= EACH_S:
                asked_s[0] = time.monotonic()
                with contextlib.suppress(AskError):
                    ask(command_socket, {"do": "catch-up"}, _WAIT_S)
        finally:
            asking.release()
