"""The far end of a line: a pseudo-terminal's master end, into which a simulated sender is played in real time.

Two senders. `Player` writes bytes when they are due. `WavePlayer` plays a waveform: a pty carries bytes whatever baud
either end has set, so the player looks which setting the listener has put on its end, and hands over what a UART at
that setting would have made of the waveform. So a listener that hunts for its baud does so through its real port
code. Both also listen: the box must never send, so what comes back is said loudly and counted.
"""

from __future__ import annotations

import os
import re
import select
import termios
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from appliance.sentence.setting import Setting
from appliance.simulate.uart import Uart
from appliance.simulate.wave import SECOND_NS, Waveform
from appliance.simulate.wire import Piece

LOOK_S = 0.2  # how often a player looks whether it should end
STEP_S = 0.004  # how often the listener's setting is read; about as late as a port hands its bytes over

Say = Callable[[str], None]
Ended = Callable[[float], bool]
Moments = Iterator[tuple[float, str]]

_PARITIES = {0: "N", termios.PARODD: "N", termios.PARENB: "E", termios.PARENB | termios.PARODD: "O"}
_BAUDS = {getattr(termios, name): int(name[1:]) for name in dir(termios) if re.fullmatch(r"B[1-9]\d*", name)}


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

    def _wait(self, due_s: float, now: Callable[[], float], moments: _Ahead, ended: Ended) -> bool:
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
        ahead = _Ahead(moments)
        for piece in story:
            if not self._wait(piece.due_s, lambda: time.monotonic() - start_s, ahead, ended):
                return
            self._send(piece.data)


@dataclass(slots=True)
class Counts:
    """What a UART counts, as the kernel would: a break is not a framing error as well."""

    rx: int = 0
    frame: int = 0
    parity: int = 0
    brk: int = 0


class WavePlayer(FarEnd):
    """Plays a waveform into a pty, as the UART of the listener at the other end hears it.

    setting_of: how the listener is set, asked each STEP_S with the master's descriptor; a change takes hold at once,
    in mid-stream. phase_seed: of the listener's samples. speed: seconds of the line in each real one. counts: the
    marks, which a pty has no way to carry.
    """

    def __init__(
        self,
        master: int,
        say: Say,
        *,
        setting_of: Callable[[int], Setting] | None = None,
        phase_seed: int = 0,
        speed: float = 1.0,
    ) -> None:
        super().__init__(master, say)
        self._setting_of = setting_of or setting_at
        self._phase_seed = phase_seed
        self._speed = speed
        self._uart: Uart | None = None
        self._ready: deque[tuple[float, int]] = deque()
        self.counts = Counts()

    def play(self, line: Iterator[Waveform], moments: Moments, start_s: float, ended: Ended) -> None:
        """Play pieces that adjoin until the line is over or ended(seconds of the line) says so; as Player.play."""
        ahead, step_ns = _Ahead(moments), max(1, round(STEP_S * self._speed * SECOND_NS))
        for piece in line:
            for from_ns in range(piece.start_ns, piece.end_ns, step_ns):
                until_ns = min(from_ns + step_ns, piece.end_ns)
                if not self._wait(
                    until_ns / SECOND_NS, lambda: (time.monotonic() - start_s) * self._speed, ahead, ended
                ):
                    return
                self._hear(piece.within(from_ns, until_ns))

    def _hear(self, step: Waveform) -> None:
        """What the listener has made of the line during this step, written once its stop bits have ended."""
        setting = self._setting_of(self._master)
        if self._uart is None or self._uart.setting != setting:
            self._uart = Uart(setting, self._phase_seed)
        for byte, end_s, framing, parity, brk in self._uart.feed(step):
            self._ready.append((end_s, byte))
            self.counts.rx += 1
            self.counts.frame += framing and not brk
            self.counts.parity += parity
            self.counts.brk += brk
        data = bytearray()
        while self._ready and self._ready[0][0] * SECOND_NS <= step.end_ns:
            data.append(self._ready.popleft()[1])
        if data:
            self._send(bytes(data))


def setting_at(master: int) -> Setting:
    """How the listener has set its end of a pty. ValueError: a baud that has no name in termios.

    Linux keeps a pty's baud and stop bits; but whatever is asked for, it sets 8 data bits and no parity. So a
    listener's other formats must reach a WavePlayer by its setting_of.
    """
    _, _, control, _, _, speed, _ = termios.tcgetattr(master)
    if speed not in _BAUDS:
        raise ValueError(f"the listener has set a baud without a name, code {speed}")
    bits = 7 if control & termios.CSIZE == termios.CS7 else 8
    parity = _PARITIES[control & (termios.PARENB | termios.PARODD)]
    return Setting.parse(_BAUDS[speed], f"{bits}{parity}{2 if control & termios.CSTOPB else 1}")


class _Ahead:
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
