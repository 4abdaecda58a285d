"""The page's server tells systemd that it lives, from the loop that serves; and no longer once it ends or hangs."""

from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

PATIENCE_S = 20.0


@pytest.fixture
def systemd(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(PATIENCE_S)
        yield listening


@pytest.fixture
def served(tmp_path: Path, systemd: socket.socket) -> Iterator[subprocess.Popen[bytes]]:
    (tmp_path / "linelamp.toml").write_text('history = "h.db"\nrun_folder = "run"\n[web]\nhost = "127.0.0.1"\n')
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    asked = [sys.executable, "-m", "appliance", "web", "--settings", str(tmp_path / "linelamp.toml")]
    process = subprocess.Popen(
        [*asked, "--web-port", str(port)], env=os.environ | {"NOTIFY_SOCKET": str(tmp_path / "notify")}
    )
    yield process
    process.send_signal(signal.SIGCONT)
    process.kill()
    process.wait(PATIENCE_S)


def test_ready_alive_and_stopping(served: subprocess.Popen[bytes], systemd: socket.socket) -> None:
    assert systemd.recv(100) == b"READY=1"
    started = time.monotonic()
    assert [systemd.recv(100) for _ in range(3)] == [b"WATCHDOG=1"] * 3
    assert time.monotonic() - started < 6.0  # an idle loop turns once a second; the unit allows 20 s
    served.terminate()
    while (word := systemd.recv(100)) == b"WATCHDOG=1":
        pass
    assert word == b"STOPPING=1"
    assert served.wait(PATIENCE_S) == 0


def test_a_server_that_stands_still_is_silent(served: subprocess.Popen[bytes], systemd: socket.socket) -> None:
    assert systemd.recv(100) == b"READY=1"
    served.send_signal(signal.SIGSTOP)
    os.waitid(os.P_PID, served.pid, os.WSTOPPED | os.WNOWAIT)
    while select.select([systemd], [], [], 0)[0]:  # what it said before
        systemd.recv(100)
    systemd.settimeout(1.5)  # an idle loop turns once a second
    with pytest.raises(TimeoutError):
        systemd.recv(100)
