"""The tap tells systemd that it is alive only while every part of it is."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from appliance.settings import Settings
from appliance.tap.core import PICTURE
from appliance.tap.daemon import DIED, Tap

PATIENCE_S = 20.0


@pytest.fixture
def systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(PATIENCE_S)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        yield listening


def test_ready_then_alive_then_stopping(box: Callable[..., Settings], systemd: socket.socket) -> None:
    tap = Tap(box())
    thread = threading.Thread(target=tap.run)
    thread.start()
    try:
        heard = [systemd.recv(100) for _ in range(4)]
    finally:
        tap.stop()
        thread.join(PATIENCE_S)
    assert heard == [b"READY=1", b"WATCHDOG=1", b"WATCHDOG=1", b"WATCHDOG=1"]
    while (word := systemd.recv(100)) == b"WATCHDOG=1":
        pass
    assert word == b"STOPPING=1"


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_once_a_part_has_died_it_is_not_called_alive(box: Callable[..., Settings], systemd: socket.socket) -> None:
    """The core cannot show its picture any more: its folder is a file."""
    settings = box()
    status: list[int] = []
    tap = Tap(settings)
    thread = threading.Thread(target=lambda: status.append(tap.run()))
    thread.start()
    try:
        while not (settings.run_folder / PICTURE).exists():
            assert systemd.recv(100) in (b"READY=1", b"WATCHDOG=1")
        settings.run_folder.rename(settings.run_folder.with_name("moved"))
        settings.run_folder.write_text("in the way")
        while (word := systemd.recv(100)) != b"STOPPING=1":
            assert word in (b"READY=1", b"WATCHDOG=1")
    finally:
        tap.stop()
        thread.join(PATIENCE_S)
    assert status == [DIED]
    systemd.setblocking(False)
    with pytest.raises(BlockingIOError):
        systemd.recv(100)
