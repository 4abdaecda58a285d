"""The reader of one line: a thread that opens its port, reads, dates and hands over, and never gives up.

It never parses, never writes, and asks nothing of a port in trouble but to be closed. It alone opens, reads, tunes
and closes, since closing under a read in another thread is a race that libraries lose. It waits in poll on two
descriptors, the port and a bell, so that silence costs nothing and a stop is at once; it wakes now and then in
silence as well, so that its heartbeat tells a quiet line from a dead thread. Silence is no trouble here: that is
for the judge to say.

    missing <-> open -> lost -> missing ...    stopped comes last, from anywhere
"""

from __future__ import annotations

import os
import select
import threading
import time
from collections import deque
from collections.abc import Callable

from appliance.line.clock import ByteClock
from appliance.line.counting import Counting
from appliance.line.events import Counted, Event, HandOver, LineSettings, PortState, State, Tuned
from appliance.line.floor import Holding
from appliance.line.marks import Marks
from appliance.line.opening import PORT_TROUBLES, ListeningPort, why_not
from appliance.line.wake import Wake
from appliance.sentence.counters import Counters
from appliance.sentence.setting import Setting

__all__ = ["Counted", "Event", "HandOver", "LineReader", "LineSettings", "PortState", "Tuned"]

READ_MOST = 4096  # bytes; what the kernel keeps for a terminal
BEAT_S = 0.5  # s; the heartbeat in silence, a few times within any watchdog's patience
RETRY_FIRST_S = 0.25  # s; soon enough for a plug pushed back in
RETRY_MOST_S = 5.0  # s; rare enough to cost nothing for a week
WAITING_READS_MOST = 4  # reads before a tune; more would be a line so fast that there is no end of waiting bytes

_HUNG_UP = "{path} has gone: was the adapter pulled out? The box goes on trying."
_EMPTY = "{path} gave nothing though it had something: another program may be reading it. The box goes on trying."


class LineReader:
    """The thread of one line.

    hand_over(line name, event) is called from the thread and must not block; what it raises ends the thread, for the
    process to see. A port state is handed over only when it or its words change. clock: monotonic time in ns.
    beat_s: longest silence of the heartbeat. retry_s: first and longest wait between attempts to open.
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
        self._setting = settings.setting  # the last that was told of
        self._asked: deque[Setting] = deque(maxlen=1)  # to put in and take out at once, from two threads
        self._byte_clock = ByteClock(settings.baud)
        self._told: tuple[str, str] | None = None
        self._stopping = threading.Event()
        self._wake = Wake()
        self._thread = threading.Thread(target=self._run, name=f"line {settings.name}", daemon=True)

    def start(self) -> None:
        """Begin to listen. RuntimeError: it was started before."""
        self._thread.start()

    def tune(self, setting: Setting) -> None:
        """Ask the thread to listen at another setting; from any thread, at any time. Returns at once.

        The answer is a Tuned, after the bytes that were heard at the old setting. A port that is not open is tuned
        once it is; of several that wait, the last one counts.
        """
        self._asked.append(setting)
        self._wake.ring()

    def stop(self) -> None:
        """Ask the thread to end; from any thread, at any time, any number of times. Returns at once."""
        self._stopping.set()
        self._wake.ring()

    def join(self, timeout: float | None = None) -> bool:
        """Wait up to timeout seconds for the thread to end; True if it has."""
        self._thread.join(timeout)
        return not self._thread.is_alive()

    def is_alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def _run(self) -> None:
        self._wake.open()
        try:
            while not self._stopping.is_set():
                self._attempt()
                self._rest()
        finally:
            self._wake.close()
        self._tell("stopped", "")

    def _attempt(self) -> None:
        """Open the port and listen until it is lost or a stop is asked for; or say why it cannot be opened."""
        path, setting = self.settings.path, self.settings.setting
        self.heartbeat_ns = opened_ns = self._clock()
        try:
            port = ListeningPort(path, setting)
        except PORT_TROUBLES as trouble:
            self._tell("missing", why_not(trouble, path, setting))
            return
        try:
            self._byte_clock.restart(opened_ns)
            held = port.holding()
            self._tell("open", "", held.floor_s)
            self._date_by(setting, held)
            if self._setting != setting:
                self._tell_setting(setting, "", held)
            lost = self._listen(port)
        finally:
            port.close()
        if lost:
            self._tell("lost", lost)

    def _listen(self, port: ListeningPort) -> str:
        """Read until the port is lost, and return the words for it; or "" when a stop is asked for."""
        marks = Marks() if port.marks else None
        counting = Counting(port.counters, self._count, self._clock)
        number, poll = port.fileno(), _poll_on(port.fileno(), self._wake.fileno())
        while True:
            events = dict(poll.poll(0 if self._asked else self._beat_s * 1000))
            self.heartbeat_ns = self._clock()
            if self._wake.fileno() in events:
                self._wake.silence()
            if self._stopping.is_set():
                return ""
            if number in events and (lost := self._take(number, events[number], marks)):
                return lost
            if self._asked:
                asked = self._asked.pop()
                if lost := self._take_waiting(number, marks):
                    return lost
                self._tune(port, asked)
            counting.look(number in events)
            self._retry_s = self._retry_first_s  # only a port that held for a round has earned a quick retry

    def _take(self, port: int, events: int, marks: Marks | None) -> str:
        """One read, dated and handed over; or the words for a port that is lost."""
        try:
            data = os.read(port, READ_MOST)
            read_ns = self._clock()
        except OSError as trouble:
            return self._why_lost(events, trouble)
        if not data:
            return self._why_lost(events)
        flawed = None
        if marks is not None:
            data, flawed = marks.decode(data)
        if data:
            self._hand_over(self.settings.name, self._byte_clock.chunk(data, read_ns, flawed))
        return ""

    def _take_waiting(self, port: int, marks: Marks | None) -> str:
        """What has come up to now, so that it is handed over before the port is tuned."""
        poll = _poll_on(port)
        for _ in range(WAITING_READS_MOST):
            if not (events := dict(poll.poll(0))):
                break
            if lost := self._take(port, events[port], marks):
                return lost
        return ""

    def _tune(self, port: ListeningPort, asked: Setting) -> None:
        says = ""
        if asked != self._setting:  # setting it again would only disturb the byte that is coming in
            try:
                port.retune(asked)
            except PORT_TROUBLES as trouble:
                says, asked = why_not(trouble, self.settings.path, asked), self._setting
        held = port.holding()
        self._date_by(asked, held)
        self._tell_setting(asked, says, held)

    def _tell_setting(self, setting: Setting, says: str, held: Holding) -> None:
        self._setting = setting
        self._hand_over(self.settings.name, Tuned(self.settings.name, self._clock(), setting, says, held.floor_s))

    def _date_by(self, setting: Setting, held: Holding) -> None:
        self._byte_clock.retune(setting.baud, setting.bits_per_character, held.floor_s or 0.0, held.lot_bytes)

    def _count(self, counted: Counters | None) -> None:
        self._hand_over(self.settings.name, Counted(self.settings.name, self._clock(), counted))

    def _why_lost(self, events: int, trouble: OSError | None = None) -> str:
        path = self.settings.path
        if events & (select.POLLHUP | select.POLLERR | select.POLLNVAL):
            return _HUNG_UP.format(path=path)
        if trouble is None:
            return _EMPTY.format(path=path)
        return why_not(trouble, path, self._setting)

    def _rest(self) -> None:
        """Wait before the next attempt, each time twice as long, with the heart beating; a stop ends it at once."""
        left_s, self._retry_s = self._retry_s, min(2 * self._retry_s, self._retry_most_s)
        poll = _poll_on(self._wake.fileno())
        while left_s > 0 and not self._stopping.is_set():
            if poll.poll(min(left_s, self._beat_s) * 1000):
                self._wake.silence()
            self.heartbeat_ns = self._clock()
            left_s -= self._beat_s

    def _tell(self, state: State, says: str, floor_s: float | None = None) -> None:
        if self._told != (state, says):
            self._told = (state, says)
            self._hand_over(self.settings.name, PortState(self.settings.name, self._clock(), state, says, floor_s))


def _poll_on(*descriptors: int) -> select.poll:
    poll = select.poll()
    for descriptor in descriptors:
        poll.register(descriptor, select.POLLIN)
    return poll
