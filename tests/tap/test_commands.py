"""The command socket: it answers whoever asks rightly, and nobody can hold it up."""

from __future__ import annotations

import json
import socket
import stat
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from appliance.asking import SOCKET, ask
from appliance.tap.commands import CommandSocket


class Served:
    """A socket served from a thread of its own, as the tap's main thread does."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / SOCKET
        self.marks: list[str] = []
        self.longest_s = 0.0
        self._socket = CommandSocket(folder, {"mark": self._mark})
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _mark(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        self.marks.append(asked.get("note", ""))
        return {"ok": True}

    def _serve(self) -> None:
        while not self._stop.is_set():
            begun = time.monotonic()
            self._socket.serve(0.02)
            self.longest_s = max(self.longest_s, time.monotonic() - begun)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._socket.close()

    def call(self) -> socket.socket:
        caller = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        caller.settimeout(5)
        caller.connect(str(self.path))
        return caller


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    made = Served(tmp_path)
    yield made
    made.close()
    assert not made.path.exists()


def answer(caller: socket.socket) -> bytes:
    said = b""
    try:
        while piece := caller.recv(4096):
            said += piece
    except ConnectionResetError:
        pass
    return said


def test_a_command_is_carried_out_and_answered(served: Served) -> None:
    assert ask(served.path, {"do": "mark", "note": "ü"}) == {"ok": True}
    assert served.marks == ["ü"]
    assert stat.S_IMODE(served.path.stat().st_mode) == 0o660


@pytest.mark.parametrize(
    "row",
    [
        b"\n", b"garbage\n", b"\xff\xfe\x00\n", b"[]\n", b"3\n", b'"mark"\n', b"null\n", b"{}\n", b'{"do": "speak"}\n',
        b'{"do": ["mark"]}\n', b'{"do": {}}\n', b"[" * 4000 + b"\n", b"{" * 5000, b"x" * 100_000, b'{"do": "mark"',
        b'{"do": "mark", "note": "\\ud800"}\n',
    ],
)  # fmt: skip
def test_nonsense_is_told_how_to_ask(row: bytes, served: Served) -> None:
    with served.call() as caller:
        try:
            caller.sendall(row)
            caller.shutdown(socket.SHUT_WR)
        except OSError:
            pass  # it has heard enough
        said = answer(caller)
    if said:
        told = json.loads(said)
        assert told["ok"] is False
        assert "known: mark" in told["says"]
    else:
        assert len(row) > 4096  # closed before all was read: the kernel may throw the answer away
    assert ask(served.path, {"do": "mark"}) == {"ok": True}


def keep_still(served: Served) -> None:
    with served.call() as caller:
        answer(caller)


def hang_up(served: Served) -> None:
    served.call().close()


def hang_up_after_asking(served: Served) -> None:
    with served.call() as caller:
        caller.sendall(b'{"do": "mark"}\n')


def dribble(served: Served) -> None:
    """A byte each tenth of a second, for ever: each comes in time, the row never does."""
    with served.call() as caller:
        try:
            for _ in range(40):
                caller.sendall(b" ")
                time.sleep(0.1)
        except OSError:
            pass


@pytest.mark.parametrize("caller", [keep_still, hang_up, hang_up_after_asking, dribble])
def test_a_caller_holds_it_up_for_half_a_second_at_most(caller: Callable[[Served], None], served: Served) -> None:
    caller(served)
    assert ask(served.path, {"do": "mark"}, wait_s=5.0) == {"ok": True}
    assert served.longest_s < 1.5


def test_what_a_killed_tap_left_is_no_hindrance(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as left:
        left.bind(str(tmp_path / SOCKET))
    assert (tmp_path / SOCKET).exists()
    served = Served(tmp_path)
    try:
        assert ask(served.path, {"do": "mark"}) == {"ok": True}
    finally:
        served.close()
