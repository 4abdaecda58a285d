"""The far end of a line: a pseudo-terminal's master end, into which a simulated sender is played in real time.

It also listens: the box must never send, so what comes back is said loudly and counted.
"""

from __future__ import annotations

import os
import select
import time
from collections.abc import Callable, Iterator

from appliance.simulate.wire import Piece

LOOK_S = 0.2  # how often a player looks whether it should end
STEP_S = 0.004  # how often an end that nobody has open is tried again; about as late as a port hands its bytes over

Say = Callable[[str], None]
Ended = Callable[[float], bool]
Moments = Iterator[tuple[float, str]]


class FarEnd:
    """Writes into a pty's master end, and counts what comes back.

    A wire does not wait: what the other end does not take at its time is gone, and counted in not_taken, also while
    nobody has the other end open. master must be a descriptor of a pty in raw mode; it is made non-blocking.
    """

    def __init__(self, master: int, say: Say) -> None:
        os.set_blocking(master, False)
        self._master = master
        self._say = say
        self._poll = select.poll()
        self._poll.register(master, select.POLLIN)
        self.sent = self.came_back = self.not_taken = 0

    def _wait(self, due_s: float, now: Callable[[], float], moments: Ahead, ended: Ended) -> bool:
        """Listen until it is time; False if the end came first. now and due_s are seconds since the start."""
        while True:
            now_s = now()
            if ended(now_s):
                return False
            for at_s, words in moments.until(now_s):
                self._say(f"{_minutes(at_s)}  {words}")
            if now_s >= due_s:
                self._listen(0)
                return True
            self._listen(min(due_s - now_s, LOOK_S))

    def _send(self, data: bytes) -> None:
        taken = 0
        if not self._deserted():
            try:
                taken = os.write(self._master, data)
            except BlockingIOError:
                taken = 0
        self.sent += taken
        self.not_taken += len(data) - taken

    def _deserted(self) -> bool:
        """Nobody has the other end open. A pty would keep what is written for the next to come; a wire does not."""
        return any(events & select.POLLHUP for _, events in self._poll.poll(0))

    def _listen(self, timeout_s: float) -> None:
        if not self._poll.poll(max(0.0, timeout_s) * 1000):
            return
        try:
            back = os.read(self._master, 4096)
        except OSError:  # deserted, and so it stays ready for ever
            time.sleep(max(0.0, min(timeout_s, STEP_S)))
            return
        self.came_back += len(back)
        self._say(f"!!! {len(back)} bytes came back from the box, which must never send: {back[:40]!r}")


class Player(FarEnd):
    """Writes pieces into a pty's master end when they are due, whatever baud the other end is set to."""

    def play(self, story: Iterator[Piece], moments: Moments, start_s: float, ended: Ended) -> None:
        """Play until the story is over or ended(seconds since the start) says so.

        start_s: the story's second 0 on time.monotonic. moments: (second, words) to say when it is that time.
        """
        ahead = Ahead(moments)
        for piece in story:
            if not self._wait(piece.due_s, lambda: time.monotonic() - start_s, ahead, ended):
                return
            self._send(piece.data)


class Ahead:
    """Moments that are still to come."""

    def __init__(self, moments: Moments) -> None:
        self._moments = moments
        self._next = next(moments, None)

    def until(self, now_s: float) -> Iterator[tuple[float, str]]:
        while self._next is not None and self._next[0] <= now_s:
            yield self._next
            self._next = next(self._moments, None)


def _minutes(t_s: float) -> str:
    return f"{int(t_s) // 60:3d}:{int(t_s) % 60:02d}"
