"""What a hostile phone may send to the real server: half requests, endless ones, strange paths.

Sources: RFC 9110 and RFC 9112 for what is no HTTP; CWE-400 and "slowloris" for half requests; CWE-22 for paths; CWE-113
for split headers.
"""

from __future__ import annotations

import contextlib
import socket
import time
from typing import Any

import pytest

HEAD = b"Host: 127.0.0.1\r\nConnection: close\r\n"


def talk(port: int, sent: bytes) -> bytes:
    """All that comes back for these bytes."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as wire:
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            wire.sendall(sent)
        got = b""
        with contextlib.suppress(ConnectionResetError):
            while piece := wire.recv(65536):
                got += piece
        return got


def status(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1])


@pytest.mark.slow
def test_who_asks_a_letter_at_a_time_is_shown_out_and_the_others_are_served(hasty: Any) -> None:
    began = time.monotonic()
    slow = [socket.create_connection(("127.0.0.1", hasty.port)) for _ in range(40)]
    half_body = b"POST /mark HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 50\r\n\r\nnote="
    for number, wire in enumerate(slow):
        wire.sendall(half_body if number % 2 else b"GET / HTTP/1.1\r\nX: ")
    open_ = list(slow)
    while open_ and time.monotonic() - began < 15:
        for wire in list(open_):
            try:
                wire.sendall(b"a")
                wire.settimeout(0.001)
                if wire.recv(1000) == b"":
                    open_.remove(wire)
            except TimeoutError:
                continue
            except OSError:
                open_.remove(wire)
        assert status(talk(hasty.port, b"GET /static/lamp.svg HTTP/1.1\r\n" + HEAD + b"\r\n")) == 200
    for wire in slow:
        wire.close()
    assert open_ == []
    assert time.monotonic() - began < 10


@pytest.mark.slow
def test_strange_requests_get_a_plain_no_and_the_server_lives(hasty: Any) -> None:
    both = b"Content-Length: 1\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
    for asked, expected in (
        (b"GET / HTTP/1.1\r\n" + HEAD + b"X: " + b"a" * 20_000 + b"\r\n\r\n", {431}),
        (b"GET /" + b"a" * 20_000 + b" HTTP/1.1\r\n" + HEAD + b"\r\n", {431, 414}),
        (b"POST /mark HTTP/1.1\r\n" + HEAD + b"Content-Length: 20000\r\n\r\n" + b"a" * 20_000, {413}),
        (b"POST /mark HTTP/1.1\r\n" + HEAD + b"Content-Length: 9999999999999\r\n\r\n", {413}),
        (b"POST /mark HTTP/1.1\r\n" + HEAD + b"Content-Length: -1\r\n\r\n", {400}),
        (b"POST /mark HTTP/1.1\r\n" + HEAD + both, {400, 403}),
        (b"GET / HTTP/1.1\r\nHost: strange.example\r\nConnection: close\r\n\r\n", {421}),
        (b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n", {400, 421}),
        (b"GET http://strange.example/ HTTP/1.1\r\n" + HEAD + b"\r\n", {200, 421}),
        (b"TRACE / HTTP/1.1\r\n" + HEAD + b"\r\n", {405}),
        (b"GET /static/../../../../etc/passwd HTTP/1.1\r\n" + HEAD + b"\r\n", {404}),
        (b"GET /static/..%2f..%2f..%2fetc/passwd HTTP/1.1\r\n" + HEAD + b"\r\n", {404}),
        (b"GET /static/%2e%2e/%2e%2e/appliance/settings.py HTTP/1.1\r\n" + HEAD + b"\r\n", {404}),
        (b"GET /static//etc/passwd HTTP/1.1\r\n" + HEAD + b"\r\n", {404, 308}),
        (b"GET /static/lamp.css%00.svg HTTP/1.1\r\n" + HEAD + b"\r\n", {404}),
        (b"GET /static/..\\..\\etc\\passwd HTTP/1.1\r\n" + HEAD + b"\r\n", {404}),
        (b"GET /take/raw?watch=1%0d%0aSet-Cookie:%20a=b HTTP/1.1\r\n" + HEAD + b"\r\n", {404, 503}),
        (b"GET /look/night%0d%0aSet-Cookie:%20a=b HTTP/1.1\r\n" + HEAD + b"\r\n", {303}),
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(200) + b"\r\n\r\n", {400}),
    ):  # fmt: skip
        answer = talk(hasty.port, asked)
        assert status(answer) in expected, (asked[:80], answer[:200])
        head = answer.partition(b"\r\n\r\n")[0].lower()
        assert b"set-cookie: a=b" not in head
        assert b"\r\nserver:" not in head
        assert b"waitress" not in answer.lower()
        assert b"traceback" not in answer.lower()
        assert b"root:x" not in answer
    assert status(talk(hasty.port, b"GET /static/lamp.svg HTTP/1.1\r\n" + HEAD + b"\r\n")) == 200
