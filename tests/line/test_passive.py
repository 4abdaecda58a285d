"""The box never speaks: hours of traffic, faults, all settings, unplugging and restarts, watched from both sides.

From outside, the other end of the line is a pty's master in packet mode (ioctl_tty(2), TIOCPKT): whatever the box
writes, echoes, flushes, stops or starts comes out there. From inside, all that the program asks of the kernel about a
port passes a gate at the lowest seam. The gate lets through only what a listener needs, and it keeps the modem lines
that a pty lacks, as a driver does: raised by the kernel at the opening, and then moved by the program alone.
"""

from __future__ import annotations

import fcntl
import os
import struct
import termios
from collections.abc import Callable, Iterator, Sequence
from itertools import groupby, islice
from math import ceil
from typing import Any

import pytest

from appliance.line import tuning
from appliance.line.opening import ListeningPort
from appliance.line.port import Tuned
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.faults import FAULTS, Spell, apply
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.spoil import bit_errors, contact_loss, held_low, inverted
from appliance.simulate.uart import Uart
from appliance.simulate.wave import Waveform, encode

Listen = Callable[..., Any]
HOURS = 3
BAUDS = (1200, 2400, 4800, 9600, 14400, 19200, 38400, 57600, 115200, 230400, 460800)
FORMATS = ("8N1", "7E1", "7O1", "8E1", "8O1", "8N2")

TIOCGICOUNT, TIOCSBRK = 0x545D, 0x5427
# Questions, who may open the port, and the two orders of a listener: lines down, and another setting.
NEEDED = {
    termios.TIOCGSERIAL, termios.TIOCSSERIAL, TIOCGICOUNT, tuning.TCGETS2,
    termios.TIOCEXCL, termios.TIOCNXCL, termios.TIOCMBIC, tuning.TCSETS2,
}  # fmt: skip
LINES = termios.TIOCM_DTR | termios.TIOCM_RTS
SPEAKS = ("tcsendbreak", "tcflush", "tcflow", "tcdrain")


class Gate:
    """All that the program asks of a terminal other than the master. wrongs: what a listener must never ask."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.wrongs: list[str] = []
        self.asked: set[int] = set()
        self.up = 0  # the modem lines that are up
        self.openings = 0
        self.master = -1
        self._real = {name: getattr(termios, name) for name in ("tcsetattr", *SPEAKS)}
        self._open, self._ioctl, self._write = os.open, fcntl.ioctl, os.write
        monkeypatch.setattr(os, "open", self._on_open)
        monkeypatch.setattr(os, "write", self._on_write)
        monkeypatch.setattr(fcntl, "ioctl", self._on_ioctl)
        monkeypatch.setattr(termios, "tcsetattr", self._on_tcsetattr)
        for name in SPEAKS:
            monkeypatch.setattr(termios, name, self._on_speaking(name))

    def _on_open(self, path: Any, flags: int, *rest: Any, **more: Any) -> int:
        descriptor = self._open(path, flags, *rest, **more)
        if os.isatty(descriptor):
            self.openings += 1
            self.up = LINES  # the kernel's doing; no program can prevent it
        return descriptor

    def _on_write(self, descriptor: int, data: Any) -> int:
        if descriptor != self.master and os.isatty(descriptor):
            self.wrongs.append(f"wrote {bytes(data)!r}")
        return self._write(descriptor, data)

    def _on_ioctl(self, descriptor: int, request: int, argument: Any = 0, *rest: Any) -> Any:
        if descriptor == self.master:
            return self._ioctl(descriptor, request, argument, *rest)
        self.asked.add(request)
        if request not in NEEDED:
            self.wrongs.append(f"asked {request:#x}")
        if request == tuning.TCSETS2:
            self._judge(struct.unpack_from("4I", argument))
        if request in (termios.TIOCMBIC, termios.TIOCMBIS, termios.TIOCMSET):
            lines = struct.unpack_from("I", argument)[0]
            was = self.up
            self.up = {termios.TIOCMBIC: was & ~lines, termios.TIOCMBIS: was | lines}.get(request, lines)
            if self.up & ~was:
                self.wrongs.append("raised DTR or RTS")
            return 0
        return self._ioctl(descriptor, request, argument, *rest)

    def _on_tcsetattr(self, descriptor: int, when: int, settings: list[Any]) -> None:
        if when != termios.TCSANOW:
            self.wrongs.append("waited for output or flushed input")
        self._judge(settings[:4])
        self._real["tcsetattr"](descriptor, when, settings)

    def _judge(self, flags: Sequence[int]) -> None:
        """Settings by which the kernel itself would speak, or move the modem lines (B0)."""
        iflag, _, cflag, lflag = flags
        if iflag & (termios.IXON | termios.IXOFF) or cflag & termios.CRTSCTS or lflag & (termios.ECHO | termios.ECHONL):
            self.wrongs.append("set echo or a hand-shake")
        if not cflag & termios.CBAUD:
            self.wrongs.append("set B0")

    def _on_speaking(self, name: str) -> Callable[..., None]:
        def speak(*given: Any) -> None:
            self.wrongs.append(name)
            self._real[name](*given)

        return speak


@pytest.fixture
def gate(monkeypatch: pytest.MonkeyPatch) -> Gate:
    return Gate(monkeypatch)


def plug_in(wire: Any, gate: Gate) -> None:
    gate.master = -1
    wire.plug_in()
    gate.master = wire.master
    fcntl.ioctl(wire.master, termios.TIOCPKT, struct.pack("i", 1))


def traffic(hours: float) -> Iterator[Burst]:
    """Each of the faults by name once in each half hour, three minutes apart and a minute long, and health between."""
    receiver = Receiver(ReceiverSettings(), Drive(3), 3)
    each_s = 1740 / len(FAULTS)
    spells = [
        Spell(name, half * 1800 + 60 + n * each_s, half * 1800 + 60 + (n + 0.7) * each_s)
        for half in range(int(2 * hours))
        for n, name in enumerate(FAULTS)
    ]
    return apply(receiver.epochs(0.0, hours * 3600), spells, 3)


def spoilt(baud: int) -> Iterator[Waveform]:
    """Two seconds of a line, healthy and in five kinds of trouble."""
    well = encode(Receiver(ReceiverSettings(), Drive(4), 4).epochs(20.0, 20.4), Setting(baud), to_s=20.6)
    well = well.within(20_000_000_000, well.end_ns)
    yield well
    yield inverted(well)
    yield bit_errors(well, baud, 0.02, 4)
    yield contact_loss(well, [(20.05, 0.02), (20.2, 0.1)])
    yield held_low(well, [(20.05, 0.02), (20.2, 0.1)])


def as_heard(waveform: Waveform, setting: Setting) -> bytes:
    return bytes(one.byte for one in Uart(setting).feed(waveform))


class Day:
    """A box that listens, and the far end, which sends and counts what comes back."""

    def __init__(self, wire: Any, gate: Gate, listen: Listen) -> None:
        self._wire, self._gate, self._listen = wire, gate, listen
        self.back = b""
        self.sent = self.starts = self.unplugged = 0
        plug_in(wire, gate)
        self.start()

    def start(self) -> None:
        self._listener = self._listen(self._wire.path)
        self._listener.wait_state("open")
        self.starts += 1

    def send(self, data: bytes) -> None:
        """Send it, and wait until the box has heard all of it."""
        for at in range(0, len(data), 2048):
            piece = data[at : at + 2048]
            self._wire.send(piece)
            self._listener.wait_bytes(len(piece))
            self._listener.chunks.clear()
            self.sent += len(piece)
            self.look()

    def look(self) -> None:
        self.back += self._wire.heard_back()
        assert self._gate.up == 0

    def tune(self, setting: Setting) -> None:
        self._listener.reader.tune(setting)
        assert self._listener.wait_for(Tuned).setting == setting == tuning.read_back(self._wire.master)

    def stop(self) -> None:
        self._listener.reader.stop()
        self._listener.wait_state("stopped")
        self.look()

    def pull_the_plug(self) -> None:
        self._wire.unplug()
        self._listener.wait_state("lost")
        plug_in(self._wire, self._gate)
        assert self._listener.wait_for(Tuned).setting == Setting(38400)
        self.unplugged += 1
        self.look()


@pytest.mark.slow
def test_the_box_never_speaks_and_never_raises_a_line(wire: Any, gate: Gate, listen: Listen) -> None:
    settings = [Setting.parse(baud, name) for baud in BAUDS for name in FORMATS]
    waves = [wave for baud in (4800, 38400, 115200) for wave in spoilt(baud)]
    minutes = groupby(traffic(HOURS), lambda burst: burst.due_s // 60)
    day = Day(wire, gate, listen)
    for place, setting in enumerate(settings):
        # Minutes of traffic at the configured setting, then the wire in trouble at another.
        for _, bursts in islice(minutes, ceil(HOURS * 60 / len(settings))):
            day.send(b"".join(burst.data for burst in bursts))
        day.tune(setting)
        for wave in waves[place % 3 :: 3]:
            day.send(as_heard(wave, setting))
        if place % 5 == 0:
            day.stop()
            day.start()
        elif place % 5 == 2:
            day.pull_the_plug()
        else:
            day.tune(Setting(38400))
    day.stop()

    assert day.back == b""
    assert gate.wrongs == []
    # It did what it was to be watched at.
    assert next(minutes, None) is None
    assert day.sent > HOURS * 3600 * 700
    assert (day.starts, day.unplugged) == (15, 13)
    assert gate.openings >= day.starts + day.unplugged
    assert gate.asked >= {tuning.TCSETS2, termios.TIOCMBIC, termios.TIOCEXCL, TIOCGICOUNT}


@pytest.mark.parametrize(
    ("speak", "inside", "outside"),
    [
        (lambda fd: os.write(fd, b"x"), "wrote b'x'", b"\x00x"),
        (lambda fd: termios.tcflush(fd, termios.TCIFLUSH), "tcflush", b"\x01"),
        (lambda fd: termios.tcflow(fd, termios.TCOOFF), "tcflow", b"\x04"),
        (lambda fd: termios.tcsendbreak(fd, 0), "tcsendbreak", b""),
        (lambda fd: fcntl.ioctl(fd, termios.TIOCMBIS, struct.pack("I", termios.TIOCM_RTS)), "raised DTR or RTS", b""),
        (lambda fd: fcntl.ioctl(fd, termios.TIOCMSET, struct.pack("I", termios.TIOCM_DTR)), "raised DTR or RTS", b""),
        (lambda fd: fcntl.ioctl(fd, TIOCSBRK), f"asked {TIOCSBRK:#x}", b""),
    ],
)
def test_the_watchers_would_notice(
    *, wire: Any, gate: Gate, no_leaks: None, speak: Callable[[int], Any], inside: str, outside: bytes
) -> None:
    """Each way to speak is noticed inside, and outside where a pty carries it (packet bytes: ioctl_tty(2))."""
    plug_in(wire, gate)
    port = ListeningPort(wire.path, Setting(38400))
    try:
        assert (wire.heard_back(), gate.wrongs, gate.up) == (b"", [], 0)
        speak(port.fileno())
        assert wire.heard_back() == outside
        assert inside in gate.wrongs
    finally:
        port.close()


def test_an_echo_would_be_noticed(wire: Any, gate: Gate, no_leaks: None) -> None:
    plug_in(wire, gate)
    port = ListeningPort(wire.path, Setting(38400))
    try:
        settings = termios.tcgetattr(port.fileno())
        settings[3] |= termios.ECHO
        termios.tcsetattr(port.fileno(), termios.TCSANOW, settings)
        assert gate.wrongs == ["set echo or a hand-shake"]
        wire.send(b"hello")
        os.read(port.fileno(), 100)
        assert wire.heard_back() == b"\x00hello"
    finally:
        port.close()
