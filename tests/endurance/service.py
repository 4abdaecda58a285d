"""A service manager for tests, where systemd is not the machine's own: it keeps one program running as the unit asks.

It speaks sd_notify(3) on a socket of its own, takes READY=1, WATCHDOG=1 and STOPPING=1, and does what systemd does
(systemd.service(5)): where WATCHDOG=1 stays away for WatchdogSec it sends SIGABRT, where an end takes longer than
TimeoutStopSec it sends SIGKILL, and after RestartSec it starts the program again, but not where it ended with a status
of RestartPreventExitStatus. Its figures are those of the unit file that a box runs.
"""

from __future__ import annotations

import os
import selectors
import signal
import socket
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path

UNIT = Path(__file__).parents[2] / "systemd/usr/local/lib/systemd/system/linelamp-tap.service"


def of_unit(key: str, unit: Path = UNIT) -> str:
    """A setting of a unit file."""
    return next(row.split("=", 1)[1] for row in unit.read_text().splitlines() if row.startswith(f"{key}="))


@dataclass(slots=True)
class Life:
    """One run of the program. Times on the monotonic clock, in s; None: not yet."""

    process: subprocess.Popen[bytes]
    began_s: float
    ready_s: float | None = None
    alive_s: float | None = None
    stopping_s: float | None = None
    ended_s: float | None = None
    aborted: bool = False
    killed: bool = False


@dataclass(slots=True)
class Service:
    """Keeps `command` running. Call turn() often; lives: all runs so far, the last one now."""

    command: list[str]
    folder: Path
    lives: list[Life] = field(default_factory=list)
    _heard: socket.socket = field(default_factory=lambda: socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM))
    _select: selectors.DefaultSelector = field(default_factory=selectors.DefaultSelector)
    watchdog_s: float = field(default_factory=lambda: float(of_unit("WatchdogSec")))
    stop_s: float = field(default_factory=lambda: float(of_unit("TimeoutStopSec")))
    restart_s: float = field(default_factory=lambda: float(of_unit("RestartSec")))
    stays_down: frozenset[str] = field(default_factory=lambda: frozenset(of_unit("RestartPreventExitStatus").split()))

    def start(self) -> None:
        """Begin the first run."""
        self._heard.bind(str(self.folder / "notify"))
        self._heard.setblocking(False)
        self._select.register(self._heard, selectors.EVENT_READ)
        self._begin()

    def turn(self, wait_s: float = 0.05) -> Life:
        """Hear what is said within wait_s and do what is due; gives the run under way."""
        self._select.select(wait_s)
        life, now_s = self.lives[-1], time.monotonic()
        while (word := self._word()) is not None:
            life.ready_s = life.ready_s or (now_s if word == b"READY=1" else None)
            life.alive_s = now_s if word in (b"READY=1", b"WATCHDOG=1") else life.alive_s
            life.stopping_s = life.stopping_s or (now_s if word == b"STOPPING=1" else None)
        if life.ended_s is not None:
            if now_s - life.ended_s >= self.restart_s and str(life.process.returncode) not in self.stays_down:
                self._begin()
        elif life.process.poll() is not None:
            life.ended_s = now_s
        elif life.stopping_s is not None:
            if now_s - life.stopping_s > self.stop_s and not life.killed:
                life.killed = True
                life.process.kill()
        elif life.alive_s is not None and now_s - life.alive_s > self.watchdog_s and not life.aborted:
            life.aborted, life.stopping_s = True, now_s
            life.process.send_signal(signal.SIGABRT)
        return self.lives[-1]

    def stop(self) -> None:
        """End it in good order, or else by force."""
        process = self.lives[-1].process
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        self._select.close()
        self._heard.close()

    def _begin(self) -> None:
        # sqlite-utils loads numpy where there is one, as in a tests' environment; that is to start no threads.
        environment = os.environ | {"NOTIFY_SOCKET": str(self.folder / "notify"), "OPENBLAS_NUM_THREADS": "1"}
        with (self.folder / "said").open("ab") as said:
            process = subprocess.Popen(self.command, env=environment, stdout=said, stderr=said, cwd=self.folder)
        self.lives.append(Life(process, time.monotonic()))

    def _word(self) -> bytes | None:
        try:
            return self._heard.recv(100)
        except BlockingIOError:
            return None
