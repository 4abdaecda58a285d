"""Asking the listening part: its answer, its refusal, and nobody there, each told in plain words."""

from __future__ import annotations

import json
import os
import socket
import threading
from pathlib import Path
from typing import Any

import pytest

from appliance.asking import ROW_MOST_BYTES, AskError, ask


def answered(folder: Path, says: bytes, wait_s: float = 2.0) -> tuple[Any, bytes]:
    """What ask gives where the other side says this and closes; and what it was asked."""
    path = folder / "other.sock"
    heard: list[bytes] = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listening:
        listening.bind(str(path))
        listening.listen(1)

        def reply() -> None:
            caller, _ = listening.accept()
            with caller:
                heard.append(caller.recv(ROW_MOST_BYTES))
                os.write(caller.fileno(), says)

        replying = threading.Thread(target=reply)
        replying.start()
        try:
            return ask(path, {"do": "mark", "note": "ü"}, wait_s), heard[0]
        finally:
            replying.join()
            path.unlink()


def test_one_object_a_row_each_way(tmp_path: Path) -> None:
    answer, heard = answered(tmp_path, b'{"ok": true, "more": 3}\n')
    assert answer == {"ok": True, "more": 3}
    assert heard.endswith(b"\n")
    assert json.loads(heard) == {"do": "mark", "note": "ü"}


@pytest.mark.parametrize(
    ("says", "told"),
    [
        (b'{"ok": false, "says": "Not now."}\n', "^Not now"),
        (b'{"ok": false}\n', "refused it"),
        (b"[1]\n", "refused it"),
        (b"nonsense\n", "does not answer, so nothing was done"),
        (b"", "does not answer, so nothing was done"),
        (b"x" * 5000, "does not answer, so nothing was done"),
    ],
)
def test_all_but_a_yes_is_told_in_plain_words(tmp_path: Path, says: bytes, told: str) -> None:
    with pytest.raises(AskError, match=told):
        answered(tmp_path, says)


def test_nobody_there(tmp_path: Path) -> None:
    with pytest.raises(AskError, match="does not answer, so nothing was done"):
        ask(tmp_path / "tap.sock", {"do": "mark"})


def test_one_that_listens_and_never_answers(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listening:
        listening.bind(str(tmp_path / "tap.sock"))
        listening.listen(1)
        with pytest.raises(AskError, match="does not answer"):
            ask(tmp_path / "tap.sock", {"do": "mark"}, 0.05)
