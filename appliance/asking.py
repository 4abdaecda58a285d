"""How the listening part is asked for something: one JSON object a row each way, over a local stream socket."""

from __future__ import annotations

import contextlib
import json
import socket
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from appliance.history.tail import beside

SOCKET = "tap.sock"
"""In the run folder of the listening part."""
ROW_MOST_BYTES = 32 * 1024
WAIT_S = 2.0
"""How long an answer is waited for. Our choice."""

Answer = dict[str, Any]


class AskError(Exception):
    """The listening part did not do it; the text says why, in plain words."""


def read_row(connection: socket.socket, patience_s: float) -> bytes:
    """What the other side sends up to the end of its row, cut at ROW_MOST_BYTES. TimeoutError: it takes too long."""
    row = b""
    until_s = time.monotonic() + patience_s
    while b"\n" not in row and len(row) < ROW_MOST_BYTES:
        left_s = until_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError("the row took too long")
        connection.settimeout(left_s)
        piece = connection.recv(ROW_MOST_BYTES - len(row))
        if not piece:
            break
        row += piece
    return row


def ask(path: Path, command: Mapping[str, Any], wait_s: float = WAIT_S) -> Answer:
    """Sends a command to the socket at path and gives its answer, which was a yes. AskError: refused, or none came."""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
            connection.settimeout(wait_s)
            connection.connect(str(path))
            connection.sendall(json.dumps(command, ensure_ascii=False).encode() + b"\n")
            answer = json.loads(read_row(connection, wait_s))
    except (OSError, ValueError) as error:
        raise AskError("The listening part of the box does not answer, so nothing was done.") from error
    if not isinstance(answer, dict) or answer.get("ok") is not True:
        says = answer.get("says") if isinstance(answer, dict) else None
        raise AskError(str(says or "The listening part of the box refused it."))
    return answer


def catch_up(history: Path, run_folder: Path) -> None:
    """Has the listening part bring into a history what it still holds beside it. One that is away holds nothing."""
    if beside(history).exists():
        with contextlib.suppress(AskError):
            ask(run_folder / SOCKET, {"do": "catch-up"})
