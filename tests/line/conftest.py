"""A wire whose far end a test holds: a pty, found by the box under a name that stays while ptys come and go."""

from __future__ import annotations

import contextlib
import os
import queue
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from appliance.line.port import Counted, Event, LineReader, LineSettings, PortState, Tuned
from appliance.sentence.chunk import Chunk

PATIENCE_S = 10.0


class Wire:
    """The sender's end of a line, and the name under which the box finds its own end."""

    def __init__(self, name: Path) -> None:
        self.path = str(name)
        self.master = -1
        self._name = name

    def plug_in(self, raw: bool = True) -> None:
        """Make a pty and let the name point to it. raw: as a sender sets it; else as the kernel makes it, echoing."""
        self.master, slave = os.openpty()
        if raw:
            tty.setraw(slave)
        with contextlib.suppress(FileNotFoundError):
            self._name.unlink()
        self._name.symlink_to(os.ttyname(slave))
        os.close(slave)
        os.set_blocking(self.master, True)

    def unplug(self) -> None:
        if self.master >= 0:
            os.close(self.master)
            self.master = -1

    def send(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[os.write(self.master, view) :]

    def heard_back(self) -> bytes:
        """All that has come out of the box's end until now."""
        os.set_blocking(self.master, False)
        try:
            return os.read(self.master, 65536)
        except OSError:  # nothing there, or no one has the other end open
            return b""
        finally:
            os.set_blocking(self.master, True)


class Listener:
    """A reader and what it hands over, in order."""

    def __init__(self, path: str, name: str = "from-receiver", baud: int = 38400) -> None:
        self._items: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self.chunks: list[Chunk] = []
        self.states: list[PortState] = []
        self.tuned: list[Tuned] = []
        self.counted: list[Counted] = []
        self.reader = LineReader(
            LineSettings(name, path, baud),
            lambda _line, item: self._items.put(item),
            beat_s=0.02,
            retry_s=(0.01, 0.05),
        )

    def next(self) -> Event:
        item = self._items.get(timeout=PATIENCE_S)
        kept = {Chunk: self.chunks, PortState: self.states, Tuned: self.tuned, Counted: self.counted}
        kept[type(item)].append(item)  # type: ignore[attr-defined]
        return item

    def wait_for(self, kind: type) -> Event:
        """The next of a kind."""
        while not isinstance(item := self.next(), kind):
            pass
        return item

    def wait_state(self, state: str) -> PortState:
        while True:
            item = self.next()
            if isinstance(item, PortState) and item.state == state:
                return item

    def wait_bytes(self, count: int) -> bytes:
        """All bytes since the start, once there are so many."""
        while sum(len(chunk.data) for chunk in self.chunks) < count:
            self.next()
        return b"".join(chunk.data for chunk in self.chunks)

    def nothing_more(self) -> bool:
        return self._items.empty()


@pytest.fixture
def wire(tmp_path: Path) -> Iterator[Wire]:
    wire = Wire(tmp_path / "port")
    yield wire
    wire.unplug()


@pytest.fixture
def listen(no_leaks: None) -> Iterator[Callable[..., Listener]]:
    """Start listening on a path; stopped after the test."""
    started: list[Listener] = []

    def start(path: str, **how: object) -> Listener:
        listener = Listener(path, **how)  # type: ignore[arg-type]
        started.append(listener)
        listener.reader.start()
        return listener

    yield start
    for listener in started:
        listener.reader.stop()
        assert listener.reader.join(PATIENCE_S)


def _descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


@pytest.fixture
def no_leaks(wire: Wire) -> Iterator[None]:
    """Fail a test that leaves a thread or a descriptor behind."""
    threads, descriptors = set(threading.enumerate()), _descriptors()
    yield
    wire.unplug()
    assert set(threading.enumerate()) == threads
    assert _descriptors() == descriptors
