"""The reader of one line: a thread that opens its port, reads, dates and hands over, and never gives up.

It never parses, never writes, and asks nothing of a port in trouble but to be closed. It alone opens, reads and
closes, since closing under a read in another thread is a race that libraries lose. It waits in poll on two
descriptors, the port and a pipe, so that silence costs nothing and a stop is at once; it wakes now and then in
silence as well, so that its heartbeat tells a quiet line from a dead thread. Silence is no trouble here: that is
for the judge to say.

    missing <-> open -> lost -> missing ...    stopped comes last, from anywhere
"""

from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from appliance.line.clock import ByteClock
from appliance.line.opening import PORT_TROUBLES, ListeningPort, why_not
from appliance.sentence.chunk import Chunk

READ_MOST = 4096  # bytes; what the kernel keeps for a terminal
BEAT_S = 0.5  # s; the heartbeat in silence, a few times within any watchdog's patience
RETRY_FIRST_S = 0.25  # s; soon enough for a plug pushed back in
RETRY_MOST_S = 5.0  # s; rare enough to cost nothing for a week

_HUNG_UP = "{path} has gone: was the adapter pulled out? The box goes on trying."
_EMPTY = "{path} gave nothing though it had something: another program may be reading it. The box goes on trying."


@dataclass(slots=True, frozen=True)
class LineSettings:
    """One line and its port. name: "from-receiver" or "from-controller". baud: bits per second, 8N1."""

    name: str
    path: str
    baud: int = 38400


@dataclass(slots=True, frozen=True)
class PortState:
    """What has become of a port. at_ns: monotonic. says: what is wrong and what to do, "" if nothing."""

    line: str
    at_ns: int
    state: Literal["open", "missing", "lost", "stopped"]
    says: str


HandOver = Callable[[str, Chunk | PortState], None]


class LineReader:
    """The thread of one line.

    hand_over(line name, chunk or port state) is called from the thread and must not block; what it raises ends the
    thread, for the process to see. A port state is handed over only when it or its words change. clock: monotonic
    time in ns. beat_s: longest silence of the heartbeat. retry_s: first and longest wait between attempts to open.
    """

    def __init__(
        self,
        settings: LineSettings,
        hand_over: HandOver,
        *,
        clock: Callable[[], int] = time.monotonic_ns,
        beat_s: float = BEAT_S,
        retry_s: tuple[float, float] = (RETRY_FIRST_S, RETRY_MOST_S),
    ) -> None:
        self.settings = settings
        self.heartbeat_ns = clock()
        self._hand_over = hand_over
        self._clock = clock
        self._beat_s = beat_s
        self._retry_first_s, self._retry_most_s = retry_s
        self._retry_s = self._retry_first_s
        self._byte_clock = ByteClock(settings.baud)
        self._told: tuple[str, str] | None = None
        self._stopping = threading.Event()
        # Guards the pipe's end. Re-entrant: a signal may ask for a stop while a stop is being asked for.
        self._lock = threading.RLock()
        self._wake_write: int | None = None
        self._thread = threading.Thread(target=self._run, name=f"line {settings.name}", daemon=True)

    def start(self) -> None:
        """Begin to listen. RuntimeError: it was started before."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end; from any thread, at any time, any number of times. Returns at once."""
        if self._stopping.is_set():
            return
        self._stopping.set()
        with self._lock:
            if self._wake_write is not None:
                os.write(self._wake_write, b".")

    def join(self, timeout: float | None = None) -> bool:
        """Wait up to timeout seconds for the thread to end; True if it has."""
        self._thread.join(timeout)
        return not self._thread.is_alive()

    def is_alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def _run(self) -> None:
        wake, wake_write = os.pipe()
        with self._lock:
            self._wake_write = wake_write
        try:
            while not self._stopping.is_set():
                self._attempt(wake)
                self._rest(wake)
        finally:
            with self._lock:
                self._wake_write = None
                os.close(wake_write)
            os.close(wake)
        self._tell("stopped", "")

    def _attempt(self, wake: int) -> None:
        """Open the port and listen until it is lost or a stop is asked for; or say why it cannot be opened."""
        path, baud = self.settings.path, self.settings.baud
        self.heartbeat_ns = opened_ns = self._clock()
        try:
            port = ListeningPort(path, baud)
        except PORT_TROUBLES as trouble:
            self._tell("missing", why_not(trouble, path, baud))
            return
        try:
            self._byte_clock.restart(opened_ns)
            self._tell("open", "")
            lost = self._listen(port.fileno(), wake)
        finally:
            port.close()
        if lost:
            self._tell("lost", lost)

    def _listen(self, port: int, wake: int) -> str:
        """Read until the port is lost, and return the words for it; or "" when a stop is asked for."""
        name = self.settings.name
        poll = _poll_on(port, wake)
        while True:
            events = dict(poll.poll(self._beat_s * 1000))
            self.heartbeat_ns = self._clock()
            if self._stopping.is_set():
                return ""
            if port in events:
                try:
                    data = os.read(port, READ_MOST)
                    read_ns = self._clock()
                except OSError as trouble:
                    return self._why_lost(events[port], trouble)
                if not data:
                    return self._why_lost(events[port])
                self._hand_over(name, self._byte_clock.chunk(data, read_ns))
            self._retry_s = self._retry_first_s  # only a port that held for a round has earned a quick retry

    def _why_lost(self, events: int, trouble: OSError | None = None) -> str:
        path = self.settings.path
        if events & (select.POLLHUP | select.POLLERR | select.POLLNVAL):
            return _HUNG_UP.format(path=path)
        if trouble is None:
            return _EMPTY.format(path=path)
        return why_not(trouble, path, self.settings.baud)

    def _rest(self, wake: int) -> None:
        """Wait before the next attempt, each time twice as long, with the heart beating; a stop ends it at once."""
        left_s, self._retry_s = self._retry_s, min(2 * self._retry_s, self._retry_most_s)
        poll = _poll_on(wake)
        while left_s > 0 and not self._stopping.is_set():
            poll.poll(min(left_s, self._beat_s) * 1000)
            self.heartbeat_ns = self._clock()
            left_s -= self._beat_s

    def _tell(self, state: Literal["open", "missing", "lost", "stopped"], says: str) -> None:
        if self._told != (state, says):
            self._told = (state, says)
            self._hand_over(self.settings.name, PortState(self.settings.name, self._clock(), state, says))


def _poll_on(*descriptors: int) -> select.poll:
    poll = select.poll()
    for descriptor in descriptors:
        poll.register(descriptor, select.POLLIN)
    return poll
