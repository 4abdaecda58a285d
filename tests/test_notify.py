"""What systemd is told, read from the other end of a socket of our own; by sd_notify(3) and systemd.service(5)."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from appliance.notify import ALIVE, READY, STOPPING, Pulse, tell


@pytest.fixture
def told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], list[str]]]:
    """Stands in systemd's place; gives what has been told since it was last asked."""
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(path))
        listening.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(path))
        yield lambda: _heard(listening)


def _heard(listening: socket.socket) -> list[str]:
    heard = []
    while True:
        try:
            heard.append(listening.recv(100).decode())
        except BlockingIOError:
            return heard


def test_ready_once_alive_at_each_beat_and_silent_after_the_stop(told: Callable[[], list[str]]) -> None:
    pulse = Pulse()
    assert told() == []
    pulse.beat()
    pulse.beat()
    assert told() == ["READY=1", "WATCHDOG=1", "WATCHDOG=1"]
    pulse.stop()
    pulse.beat()
    pulse.stop()
    assert told() == ["STOPPING=1"]


def test_a_socket_in_the_abstract_space(monkeypatch: pytest.MonkeyPatch) -> None:
    name = f"linelamp-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0" + name)
        listening.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", "@" + name)
        assert tell(ALIVE)
        assert _heard(listening) == ["WATCHDOG=1"]


def test_without_systemd_nothing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not tell(READY)


def test_nobody_there_is_no_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "nobody"))
    assert not tell(STOPPING)


def test_a_listener_that_does_not_read_holds_nothing_up(told: Callable[[], list[str]]) -> None:
    """The queue of a datagram socket fills (net.unix.max_dgram_qlen, 512 at most by default): told no, at once."""
    answers = [tell(ALIVE) for _ in range(5000)]
    assert answers[0]
    assert not answers[-1]


def test_ready_is_told_again_until_it_was_heard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "late"))
    pulse = Pulse()
    pulse.beat()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "late"))
        listening.setblocking(False)
        pulse.beat()
        assert _heard(listening) == [READY, ALIVE]
