"""The few commands that the tap knows, on a local socket: one JSON object a row in, one out."""

from __future__ import annotations

import contextlib
import json
import socket
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from appliance.asking import SOCKET, Answer, read_row

_PATIENCE_S = 0.5

Command = Callable[[Mapping[str, Any]], Answer]


class CommandSocket:
    """Listens in a folder. `serve(timeout_s)` answers whoever asks within that time; one thread owns it."""

    def __init__(self, folder: Path, commands: Mapping[str, Command]) -> None:
        self._path = folder / SOCKET
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
            answer = self._answer(read_row(caller, _PATIENCE_S))
            caller.settimeout(_PATIENCE_S)
            caller.sendall(json.dumps(answer).encode() + b"\n")

    def _answer(self, row: bytes) -> Answer:
        try:
            asked = json.loads(row)
            json.dumps(asked, ensure_ascii=False).encode()  # refuses half of a pair (\ud800), which no file takes
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
