"""A line set as it may be, played into a pty: the far end for a listener that hunts for its baud.

A pty carries bytes whatever baud either end has set, so the player looks which setting the listener has put on its
end, and hands over what a UART at that setting would have made of the waveform. So a listener hunts through its real
port code.
"""

from __future__ import annotations

import re
import termios
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from appliance.play import STEP_S, Ahead, Ended, FarEnd, Moments, Say
from appliance.sentence.setting import Setting
from appliance.simulate.uart import Uart
from appliance.simulate.wave import SECOND_NS, Waveform

_PARITIES = {0: "N", termios.PARODD: "N", termios.PARENB: "E", termios.PARENB | termios.PARODD: "O"}
_BAUDS = {getattr(termios, name): int(name[1:]) for name in dir(termios) if re.fullmatch(r"B[1-9]\d*", name)}


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
        ahead, step_ns = Ahead(moments), max(1, round(STEP_S * self._speed * SECOND_NS))
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
