"""The WSGI server around the page: enough threads for every stream, and a prompt end."""

from __future__ import annotations

import signal
import socket
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from flask import Flask
from waitress.channel import HTTPChannel
from waitress.server import create_server

from appliance import recent_log
from appliance.asking import SOCKET
from appliance.notify import Pulse
from appliance.site.app import create_app
from appliance.site.streams import STREAMS_MOST

OTHER_THREADS = 8
"""For pages and downloads, beside a thread for each stream."""

GONE_AFTER_MS = 10_000
"""A phone that went out of reach without a word is given up after this, so that it holds no stream. Our choice."""

SILENT_MOST_S = 20
"""A connection on which nothing is asked is closed after this. Our choice."""

ASKING_MOST_S = 10.0
"""For so long a phone may take over asking, so that nobody holds all places by asking a letter at a time. Our choice:
16 kB at 13 kbit/s."""

ASKED_MOST_BYTES = 16 * 1024
"""Of a request's head, and of its body. Our choice: the largest form is a needs sheet of some 4 kB."""

_NO_FILE = -1
"""Where among the files of its loop the server finds what is none."""

STATE_FOLDER = "web"
"""Beside the history: what the page keeps for itself."""

HELD_MOST_BYTES = 512 * 1024
"""What may wait in memory for one slow phone; a download pauses until it has taken that."""


class WebSettings(Protocol):
    """What of the box's settings the page needs. run_folder holds picture.json and tap.sock."""

    @property
    def run_folder(self) -> Path: ...
    @property
    def history(self) -> Path: ...
    @property
    def machine(self) -> str: ...
    @property
    def web_host(self) -> str: ...
    @property
    def web_port(self) -> int: ...
    @property
    def pin(self) -> str: ...
    @property
    def needs_folders(self) -> Sequence[Path]: ...


def run(settings: WebSettings) -> int:
    """Serves the page until SIGTERM or Ctrl-C; gives the exit code. Raises OSError where the port is taken."""
    app = create_app(
        settings.run_folder / "picture.json",
        settings.history,
        settings.run_folder / SOCKET,
        machine=settings.machine,
        pin=settings.pin,
        needs_folders=settings.needs_folders,
        state_folder=settings.history.parent / STATE_FOLDER,
        log=recent_log.install(),
        stop=threading.Event(),
    )
    serve(app, settings.web_host, settings.web_port)
    return 0


def serve(app: Flask, host: str, port: int, asking_most_s: float = ASKING_MOST_S) -> None:
    """Serves app on host and port until SIGTERM or Ctrl-C. From the main thread only. Raises OSError."""
    pulse = _LoopPulse()
    server = create_server(
        app,
        map={_NO_FILE: pulse},
        host=host,
        port=port,
        threads=STREAMS_MOST + OTHER_THREADS,
        connection_limit=200,
        channel_timeout=SILENT_MOST_S,
        cleanup_interval=5,
        channel_request_lookahead=1,  # reads on while a stream runs, so that a closed one is noticed
        outbuf_high_watermark=HELD_MOST_BYTES,
        max_request_body_size=ASKED_MOST_BYTES,
        max_request_header_size=ASKED_MOST_BYTES,
        clear_untrusted_proxy_headers=True,
        ident="",
    )
    server.channel_class = partial(_Asking, asking_most_s)
    server.adj.socket_options = [
        *server.adj.socket_options,
        (socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, GONE_AFTER_MS),
    ]
    stop: threading.Event = app.extensions["linelamp-stop"]
    try:
        with _ended_by_sigterm(stop):
            server.run()
    finally:
        pulse.stop()
        stop.set()
        server.close()


class _Asking(HTTPChannel):  # type: ignore[misc]  # waitress has no types
    """A connection that is closed where one request takes longer than asking_most_s to come in.

    The server's own time-out starts anew with each letter. This is asked at every turn of the server's loop.
    """

    def __init__(self, asking_most_s: float, *args: Any, **kwargs: Any) -> None:
        self._asking_most_s = asking_most_s
        self._since_s: float | None = None
        super().__init__(*args, **kwargs)

    def readable(self) -> bool:
        if self.request is None:
            self._since_s = None
        elif self._since_s is None:
            self._since_s = time.monotonic()
        elif time.monotonic() - self._since_s > self._asking_most_s:
            self.will_close = True
        return bool(super().readable())


class _LoopPulse(Pulse):
    """Stands among the sockets that the server's loop asks at every turn, at least once a second: its turn is a beat.

    So systemd hears from the very loop that takes in every phone, and no longer once that hangs.
    """

    accepting = False

    def readable(self) -> bool:
        self.beat()
        return False

    def writable(self) -> bool:
        return False

    def close(self) -> None:
        self.stop()


@contextmanager
def _ended_by_sigterm(stop: threading.Event) -> Iterator[None]:
    def end(_number: int, _frame: object) -> None:
        stop.set()
        raise SystemExit(0)

    before = {number: signal.signal(number, end) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
