"""The demo: its player against a bare pty, its processes against small real ones."""

from __future__ import annotations

import os
import select
import signal
import socket
import sys
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from appliance import demo
from appliance.settings import from_toml
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.story import AFTERNOON, play
from appliance.simulate.wire import Piece, pieces

PLAYED_S = 1.1


class Pty:
    """Both ends of a raw pty, and what was said about it."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.said: list[str] = []
        self.player = demo.Player(self.master, self.said.append)

    def play(self, story: list[Piece], ended_s: float = 60.0) -> float:
        """Play it from now on; the second 0 used."""
        start_s = time.monotonic()
        self.player.play(iter(story), iter([]), start_s, lambda now_s: now_s >= ended_s)
        return start_s


@pytest.fixture
def pty() -> Iterator[Pty]:
    made = Pty()
    yield made
    os.close(made.master)
    os.close(made.slave)


def hear(slave: int, stop: threading.Event, heard: list[tuple[float, bytes]]) -> None:
    while not stop.is_set():
        if select.select([slave], [], [], 0.05)[0]:
            data = os.read(slave, 4096)
            heard.append((time.monotonic(), data))


def test_the_bytes_come_whole_and_at_the_pace_of_the_wire(pty: Pty) -> None:
    # From within the story, where the tractor moves: its second 20 is second 0 here.
    receiver = Receiver(ReceiverSettings(), Drive(1), 1)
    bursts = [burst._replace(due_s=burst.due_s - 20) for burst in play(AFTERNOON, receiver, 1, 20 + PLAYED_S)]
    story = list(pieces([burst for burst in bursts if burst.due_s >= 0], 38400))
    heard: list[tuple[float, bytes]] = []
    stop = threading.Event()
    listener = threading.Thread(target=hear, args=(pty.slave, stop, heard))
    listener.start()
    try:
        start_s = pty.play(story)
        time.sleep(0.05)
    finally:
        stop.set()
        listener.join()

    sent = b"".join(piece.data for piece in story)
    assert b"".join(data for _, data in heard) == sent
    assert sent.count(b"\r\n") > 12
    assert (pty.player.sent, pty.player.not_taken, pty.player.came_back) == (len(sent), 0, 0)
    # No byte before its time; and late only by what the operating system adds.
    due_s = [piece.due_s for piece in story for _ in piece.data]
    late_s, count = [], 0
    for when_s, data in heard:
        count += len(data)
        late_s.append(when_s - start_s - due_s[count - 1])
    assert min(late_s) >= 0
    assert sorted(late_s)[len(late_s) // 2] < 0.02


def test_a_byte_that_comes_back_is_said_loudly(pty: Pty) -> None:
    os.write(pty.slave, b"$PX")
    pty.play([Piece(0.0, b"a"), Piece(0.05, b"b")])
    assert pty.player.came_back == 3
    assert any(words.startswith("!!!") and "$PX" in words for words in pty.said)


def test_nothing_comes_back_unless_somebody_writes(pty: Pty) -> None:
    pty.play([Piece(0.0, b"$GPGGA\r\n"), Piece(0.02, b"\x03\x04\x11\x13\x00\xff")])  # raw: no echo, no flow control
    assert os.read(pty.slave, 100) == b"$GPGGA\r\n\x03\x04\x11\x13\x00\xff"
    assert pty.player.came_back == 0
    assert pty.said == []


def test_a_wire_does_not_wait_for_a_listener(pty: Pty) -> None:
    story = [Piece(0.0, b"x" * 1000)] * 100
    pty.play(story, ended_s=10)
    assert pty.player.sent + pty.player.not_taken == 100_000
    assert pty.player.not_taken > 0


def test_moments_are_said_in_time_and_an_end_is_kept(pty: Pty) -> None:
    start_s = time.monotonic() - 61
    pty.player.play(
        iter([Piece(61.0, b"a"), Piece(500.0, b"b")]),
        iter([(0.0, "begins"), (61.02, "goes on"), (400.0, "never")]),
        start_s,
        lambda now_s: now_s >= 61.3,
    )
    assert pty.said == ["  0:00  begins", "  1:01  goes on"]
    assert 0.3 <= time.monotonic() - start_s - 61 < 0.3 + demo.LOOK_S + 0.2
    assert pty.player.sent == 1


def child(tmp_path: Path, code: str) -> demo.Child:
    return demo.Child.start("tap", [sys.executable, "-c", code], tmp_path / "tap.log")


def test_a_child_that_dies_is_told_with_its_last_words(tmp_path: Path) -> None:
    dead = child(tmp_path, "import sys; sys.exit('the port is on fire')")
    dead.process.wait(10)
    said = dead.obituary()
    assert said is not None
    assert "tap ended by itself with exit code 1" in said
    assert "the port is on fire" in said
    assert dead.end(1) == said


def test_a_child_that_is_killed_is_told(tmp_path: Path) -> None:
    dead = child(tmp_path, "import time; time.sleep(60)")
    dead.process.kill()
    dead.process.wait(10)
    assert dead.obituary() == f"tap was ended by signal {signal.SIGKILL}. It said nothing."


READY = "import signal, sys, time; signal.signal(signal.SIGTERM, {handler}); print('ready', flush=True); time.sleep(60)"


def ready(tmp_path: Path, handler: str) -> demo.Child:
    """A process that has its handler of SIGTERM in place."""
    living = child(tmp_path, READY.format(handler=handler))
    until_s = time.monotonic() + 10
    while "ready" not in living.log.read_text() and time.monotonic() < until_s:
        time.sleep(0.01)
    assert living.obituary() is None
    return living


def test_a_child_that_ends_as_asked(tmp_path: Path) -> None:
    assert ready(tmp_path, "lambda *_: sys.exit(0)").end(10) is None
    assert ready(tmp_path, "signal.SIG_DFL").end(10) is None


def test_a_child_that_ends_badly_or_not_at_all(tmp_path: Path) -> None:
    said = ready(tmp_path, "lambda *_: sys.exit('history lost')").end(10)
    assert said is not None
    assert "history lost" in said
    deaf = ready(tmp_path, "signal.SIG_IGN")
    said = deaf.end(0.1)
    assert said is not None
    assert "was killed" in said
    assert deaf.process.returncode == -signal.SIGKILL


def test_a_port_in_use_is_told_before_anything_starts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert demo.run(port, tmp_path / "box", 1.0) == 1
    said = capsys.readouterr().out
    assert said == f"Port {port} is in use by another program. Choose another one with --port.\n"
    assert not (tmp_path / "box").exists()


def test_a_port_that_does_not_exist_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert demo.run(70_000, tmp_path, 1.0) == 1
    assert "70000 does not exist" in capsys.readouterr().out


def test_the_settings_are_those_of_a_box(tmp_path: Path) -> None:
    folder = tmp_path / 'a "quoted" \\ földer'
    settings = from_toml(demo.settings_text("/dev/pts/7", folder, 8081), "demo", folder)
    assert (settings.machine, settings.needs, settings.pins) == (demo.MACHINE, "rate-section", "mock")
    assert [(line.name, line.path, line.baud) for line in settings.lines] == [("from-receiver", "/dev/pts/7", 38400)]
    assert settings.history == folder / "history.db"
    assert settings.run_folder == folder / "run"
    assert (settings.web_host, settings.web_port) == ("127.0.0.1", 8081)


def test_signals_ask_for_an_end_and_are_given_back() -> None:
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    for number in before:
        with demo.asked_to_end() as asked:
            assert not asked.is_set()
            signal.raise_signal(number)
            assert asked.is_set()
        assert {other: signal.getsignal(other) for other in before} == before
