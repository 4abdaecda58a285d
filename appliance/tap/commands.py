"""The few commands that the tap knows, on a local socket: one JSON object a row in, one out."""

from __future__ import annotations

import contextlib
import json
import socket
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

NAME = "tap.sock"
_ROW_MOST = 4096
_PATIENCE_S = 0.5

Answer = dict[str, Any]
Command = Callable[[Mapping[str, Any]], Answer]


class CommandSocket:
    """Listens in a folder. `serve(timeout_s)` answers whoever asks within that time; one thread owns it."""

    def __init__(self, folder: Path, commands: Mapping[str, Command]) -> None:
        self._path = folder / NAME
        self._commands = commands
        self._path.unlink(missing_ok=True)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.bind(str(self._path))
        self._path.chmod(0o660)
        self._socket.listen(8)

    def serve(self, timeout_s: float) -> None:
        """Answers one caller, or returns when nobody called in time."""
        self._socket.settimeout(timeout_s)
        try:
            caller, _ = self._socket.accept()
        except TimeoutError:
            return
        with caller, contextlib.suppress(OSError):
            answer = self._answer(_row(caller, _PATIENCE_S))
            caller.settimeout(_PATIENCE_S)
            caller.sendall(json.dumps(answer).encode() + b"\n")

    def _answer(self, row: bytes) -> Answer:
        try:
            asked = json.loads(row)
            command = self._commands[asked["do"]]
        except (ValueError, KeyError, TypeError, RecursionError):
            known = ", ".join(sorted(self._commands))
            return {"ok": False, "says": f'Ask with one JSON object a row, such as {{"do": "mark"}}; known: {known}.'}
        return command(asked)

    def close(self) -> None:
        """Stops listening."""
        self._socket.close()
        with contextlib.suppress(OSError):
            self._path.unlink()


def _row(caller: socket.socket, patience_s: float) -> bytes:
    """What the caller sends up to the end of its row, cut at _ROW_MOST. Raises TimeoutError when it takes too long."""
    row = b""
    until_s = time.monotonic() + patience_s
    while b"\n" not in row and len(row) < _ROW_MOST:
        left_s = until_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError("the row took too long")
        caller.settimeout(left_s)
        piece = caller.recv(_ROW_MOST - len(row))
        if not piece:
            break
        row += piece
    return row


def ask(path: Path, command: Mapping[str, Any], timeout_s: float = 2.0) -> Answer:
    """Sends one command to the tap whose socket is at path and gives its answer. Raises OSError, ValueError."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as to_tap:
        to_tap.settimeout(timeout_s)
        to_tap.connect(str(path))
        to_tap.sendall(json.dumps(command).encode() + b"\n")
        answer = json.loads(_row(to_tap, timeout_s))
    return answer if isinstance(answer, dict) else {}
