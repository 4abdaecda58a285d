"""A tap and a page as processes of their own, and the far ends of their lines."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings

LINES = ("from-receiver", "from-controller")
_STEP_S = 0.004  # how often bytes are written, as a port hands them over
_BITS = 10
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
AS_ON_THE_BOX = "import sys; sys.modules['numpy'] = None; from appliance.cli import main; main()"
"""numpy is a reference of the tests and not on the box; a library that takes it where it is must not find it here."""


def usual(seconds: float) -> bytes:
    """Sentences of the usual set, to fill a line with."""
    return b"".join(burst.data for burst in Receiver(ReceiverSettings(), Drive(3), 3).epochs(0, seconds))


class Sender(threading.Thread):
    """Plays a line into the master end of a pty in real time.

    full: bytes of `data` end to end, as fast as the baud allows; else each epoch at its time, as a receiver does.
    """

    def __init__(self, master: int, baud: int, data: bytes, full: bool) -> None:
        super().__init__(daemon=True)
        self.master, self.baud, self.data, self.full = master, baud, data, full
        self.sent = self.refused = 0
        self.over = threading.Event()
        os.set_blocking(master, False)

    def run(self) -> None:
        began = time.monotonic()
        for due_s, piece in self._pieces():
            if self.over.wait(max(0.0, began + due_s - time.monotonic())):
                return
            try:
                taken = os.write(self.master, piece)
            except BlockingIOError:
                taken = 0
            self.sent += taken
            self.refused += len(piece) - taken

    def _pieces(self) -> Iterator[tuple[float, bytes]]:
        size = max(1, int(self.baud / _BITS * _STEP_S))
        if self.full:
            number = 0
            while True:
                at = number * size % (len(self.data) - size)
                number += 1
                yield number * size * _BITS / self.baud, self.data[at : at + size]
        for burst in Receiver(ReceiverSettings(), Drive(3), 3).epochs(0, 86_400):
            for at in range(0, len(burst.data), size):
                piece = burst.data[at : at + size]
                yield burst.due_s + (at + len(piece)) * _BITS / self.baud, piece


class Cab:
    """Ptys, settings and the two processes. lines: how many are listened to."""

    def __init__(self, folder: Path, baud: int, lines: int = 1, web_port: int = 0) -> None:
        self.folder, self.baud = folder, baud
        self.ptys = [os.openpty() for _ in range(lines)]
        self._memory = tempfile.TemporaryDirectory(dir=MEMORY)  # as on the box, where the run folder is in memory
        self.picture = Path(self._memory.name) / "picture.json"
        words = f'machine = "Bench"\nhistory = "history.db"\nrun_folder = "{self._memory.name}"\n'
        words += '[lamps]\npins = "mock"\n'
        words += f'[web]\nhost = "127.0.0.1"\nport = {web_port or 8080}\n'
        for name, (_, slave) in zip(LINES, self.ptys, strict=False):
            tty.setraw(slave)
            words += f"[line.{name}]\nport = {json.dumps(os.ttyname(slave))}\nbaud = {baud}\n"
        self.settings = folder / "linelamp.toml"
        self.settings.write_text(words)
        self._started: list[subprocess.Popen[bytes]] = []

    def start(self, what: str) -> subprocess.Popen[bytes]:
        """Starts `tap` or `web`."""
        command = [sys.executable, "-c", AS_ON_THE_BOX, what, "--settings", str(self.settings)]
        environment = os.environ | {"MALLOC_ARENA_MAX": "1"}  # as the units have it
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment)
        self._started.append(process)
        return process

    def told(self) -> dict:  # type: ignore[type-arg]
        """The live picture; empty while there is none."""
        try:
            return json.loads(self.picture.read_text())  # type: ignore[no-any-return]
        except (FileNotFoundError, json.JSONDecodeError):
            return {}

    def open_ports(self) -> int:
        return sum(line["port_state"] == "open" for line in self.told().get("lines", ()))

    def __enter__(self) -> Cab:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for process in self._started:
            process.terminate()
        for process in self._started:
            process.wait(30)
        for pair in self.ptys:
            for end in pair:
                os.close(end)
        self._memory.cleanup()


def threads_of(pid: int) -> list[Path]:
    return list(Path(f"/proc/{pid}/task").iterdir())


def cpu_s(pid: int) -> float:
    """CPU seconds of all threads of a process, to the nanosecond where the kernel tells it so."""
    return sum(int((task / "schedstat").read_text().split()[0]) for task in threads_of(pid)) / 1e9


def woken(pid: int) -> int:
    """How often threads of a process were woken from a wait."""
    text = "".join((task / "status").read_text() for task in threads_of(pid))
    return sum(int(row.split()[1]) for row in text.splitlines() if row.startswith("voluntary_ctxt_switches"))


def resident_mb(pid: int) -> float:
    """Resident memory of a process."""
    rows = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(row.split()[1]) for row in rows if row.startswith("VmRSS")) / 1024
