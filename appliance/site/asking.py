"""Asks the listening part for something over its local socket: one JSON object a line each way."""

from __future__ import annotations

import json
import socket
from pathlib import Path
from typing import Any

WAIT_S = 2.0
ANSWER_MOST_BYTES = 4096


class AskError(Exception):
    """The listening part did not do it; the text says why, in plain words."""


def ask(path: Path, request: dict[str, Any]) -> None:
    """Sends the request and waits for its answer. Raises AskError."""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
            connection.settimeout(WAIT_S)
            connection.connect(str(path))
            connection.sendall(json.dumps(request).encode() + b"\n")
            answer = json.loads(_line(connection))
    except (OSError, ValueError) as error:
        raise AskError("The listening part of the box does not answer, so nothing was marked.") from error
    if not isinstance(answer, dict) or answer.get("ok") is not True:
        says = answer.get("says") if isinstance(answer, dict) else None
        raise AskError(str(says or "The listening part of the box refused it."))


def _line(connection: socket.socket) -> bytes:
    answer = b""
    while b"\n" not in answer and len(answer) < ANSWER_MOST_BYTES and (piece := connection.recv(1024)):
        answer += piece
    return answer
