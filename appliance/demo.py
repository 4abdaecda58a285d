"""An invented cab on this machine: a simulated receiver, a real pseudo-terminal, the real tap and the real page.

The player writes a story into one end of a pty at the pace of a wire; the tap listens at the other end as it would
at a serial port, in a process of its own, and the page is served by another. The player also listens: the box must
never send, so a byte that comes back is said loudly and spoils the exit code.
"""

from __future__ import annotations

import contextlib
import errno
import json
import math
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from appliance.play import LOOK_S, Player
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.story import AFTERNOON, play
from appliance.simulate.wire import pieces

MACHINE = "Larkmere tractor 3"  # invented
NEEDS = "rate-section"
PIN = "405162"  # invented
HOST = "127.0.0.1"
BAUD = 38400
SEED = 2026

READY_S = 30.0  # how long the tap and the page may take to be there
END_S = {"tap": 10.0, "web": 5.0}  # in this order they are asked to end, and have this long
LOG_TAIL = 2000  # characters of a dead process's output to show


@dataclass(slots=True)
class Child:
    """A process of the demo, with the file that takes what it prints."""

    name: str
    process: subprocess.Popen[bytes]
    log: Path

    @classmethod
    def start(cls, name: str, command: Sequence[str], log: Path) -> Child:
        """Start it in a process group of its own, so that a Ctrl-C reaches it through us, in order."""
        with log.open("wb") as out:
            process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT, process_group=0
            )
        return cls(name, process, log)

    def obituary(self) -> str | None:
        """None while it lives; else how it ended and the last of what it printed."""
        code = self.process.poll()
        if code is None:
            return None
        if code == 0:
            return f"{self.name} ended in good order: it was asked to on the page."
        how = f"was ended by signal {-code}" if code < 0 else f"ended by itself with exit code {code}"
        said = self.log.read_text(errors="replace").strip()[-LOG_TAIL:]
        return f"{self.name} {how}." + (f" It said:\n{said}" if said else " It said nothing.")

    def end(self, timeout_s: float) -> str | None:
        """Ask it to end, and wait; None if it ended well, else what went wrong."""
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(timeout_s)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
                return f"{self.name} did not end within {timeout_s:.0f} s of being asked, and was killed."
        # A process with no handler of its own for SIGTERM ends by it: that is an end as asked.
        return None if self.process.returncode in (0, -signal.SIGTERM) else self.obituary()


def run(port: int, folder: Path | None, seconds: float | None) -> int:
    """Play the demo until Ctrl-C, SIGTERM or `seconds` of the story; the exit code.

    port: of the page, on this machine only. folder: where history stays; None for one that is deleted at the end.
    Returns 0 after an end as asked; 1 if the port is taken, a process dies, or the box sent a byte.
    """
    if trouble := _port_trouble(port):
        _print(trouble)
        return 1
    with contextlib.ExitStack() as stack:
        asked = stack.enter_context(asked_to_end())
        if folder is None:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="linelamp-demo-")))
        folder = folder.resolve()
        for part in ("sheets", "run"):
            (folder / part).mkdir(parents=True, exist_ok=True)
        master, slave = os.openpty()
        stack.callback(os.close, master)
        stack.callback(os.close, slave)
        tty.setraw(slave)
        settings = folder / "linelamp.toml"
        settings.write_text(settings_text(os.ttyname(slave), folder, port), encoding="utf-8")
        return _play_to_children(master, settings, port, seconds, asked)


def _play_to_children(master: int, settings: Path, port: int, seconds: float | None, asked: threading.Event) -> int:
    folder, player = settings.parent, Player(master, _print)
    # What an earlier demo left in this folder must not pass for the new tap's sign of life.
    picture = folder / "run" / "picture.json"
    picture.unlink(missing_ok=True)
    # The page first: the story begins as soon as the tap listens, since silence is a fault.
    signs: dict[str, Callable[[], bool]] = {"web": lambda: _answers(port), "tap": picture.exists}
    children: dict[str, Child] = {}
    trouble: list[str] = []

    def ended() -> bool:
        if not trouble:
            trouble.extend(said for child in children.values() if (said := child.obituary()))
        return asked.is_set() or bool(trouble)

    try:
        for name, is_there in signs.items():
            command = [sys.executable, "-m", "appliance", name, "--settings", str(settings)]
            children[name] = Child.start(name, command, folder / f"{name}.log")
            if not _await(is_there, ended):
                if not ended():
                    trouble.append(f"{name} was not there after {READY_S:.0f} s.")
                break
        else:
            _print(f"{MACHINE}: {AFTERNOON.name}, in an invented field. Nothing here is real but the box.")
            _print(f"The page: http://{HOST}:{port}    Its PIN: {PIN}    Ctrl-C ends the demo.")
            _play(player, lambda now_s: (seconds is not None and now_s >= seconds) or ended())
    finally:
        for name, timeout_s in END_S.items():
            if name in children and (said := children[name].end(timeout_s)) and not trouble:
                trouble.append(said)
    if player.came_back:
        trouble.append(f"The box sent {player.came_back} bytes. It must never send.")
    for said in trouble:
        _print(said)
    _print(f"The demo has ended: {player.sent} bytes were played.")
    return 1 if trouble else 0


def _play(player: Player, ended: Callable[[float], bool]) -> None:
    # Second 0 of the story is the next whole second, so that the receiver's UTC is this machine's.
    wall_s = time.time()
    start_wall_s = math.floor(wall_s) + 1
    start_s = time.monotonic() + start_wall_s - wall_s
    settings = ReceiverSettings(start_utc=datetime.fromtimestamp(start_wall_s, UTC))
    receiver = Receiver(settings, Drive(SEED), SEED)
    player.play(pieces(play(AFTERNOON, receiver, SEED), BAUD), AFTERNOON.moments(), start_s, ended)


def settings_text(line_port: str, folder: Path, port: int) -> str:
    """The box's settings for a demo in this folder, as TOML."""

    def text(value: object) -> str:
        # A JSON string is also a TOML basic string.
        return json.dumps(str(value), ensure_ascii=False)

    return "\n".join(
        [
            f"machine = {text(MACHINE)}",
            f"needs = {text(NEEDS)}",
            f"needs_folder = {text(folder / 'sheets')}",
            f"history = {text(folder / 'history.db')}",
            f"run_folder = {text(folder / 'run')}",
            "",
            "[line.from-receiver]",
            f"port = {text(line_port)}",
            f"baud = {BAUD}",
            "",
            "[lamps]",
            'pins = "mock"',
            "",
            "[web]",
            f"host = {text(HOST)}",
            f"port = {port}",
            f"pin = {text(PIN)}",
            "",
        ]
    )


def _await(is_there: Callable[[], bool], ended: Callable[[], bool]) -> bool:
    """Wait until it is there; False if the end came first, or READY_S went by."""
    until_s = time.monotonic() + READY_S
    while time.monotonic() < until_s and not ended():
        if is_there():
            return True
        time.sleep(LOOK_S / 4)
    return False


def _answers(port: int) -> bool:
    try:
        socket.create_connection((HOST, port), timeout=LOOK_S).close()
    except OSError:
        return False
    return True


def _port_trouble(port: int) -> str | None:
    """What keeps the page from this port, in words with what to do; None if nothing does."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            if error.errno == errno.EADDRINUSE:
                return f"Port {port} is in use by another program. Choose another one with --web-port."
            return f"Port {port} cannot be used: {error.strerror}. Choose another one with --web-port."
        except OverflowError:
            return f"Port {port} does not exist. Choose one from 1024 to 65535 with --web-port."
    return None


@contextlib.contextmanager
def asked_to_end() -> Iterator[threading.Event]:
    """An event that Ctrl-C, SIGTERM and a closed terminal set; the handlers before it come back afterwards."""
    asked = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = {number: signal.signal(number, lambda *_: asked.set()) for number in numbers}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _print(words: str) -> None:
    print(words, flush=True)
