"""The far end of a line: bytes at the pace of a wire, and a waveform as the listener's own setting hears it."""

from __future__ import annotations

import os
import select
import termios
import threading
import time
import tty
from collections.abc import Iterator

import pytest
import serial

from appliance.play import LOOK_S, Player
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.story import AFTERNOON, play
from appliance.simulate.uart import receive
from appliance.simulate.wave import Waveform, encode, spans
from appliance.simulate.wire import Piece, pieces
from tests.wave_player import WavePlayer, setting_at

PLAYED_S = 1.1


class Pty:
    """Both ends of a raw pty, and what was said about it."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.said: list[str] = []
        self.player = Player(self.master, self.said.append)

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
    sent = b"$GPGGA\r\n\x03\x04\x11\x13\x00\xff"
    heard = b""
    while len(heard) < len(sent):  # the kernel carries the two over in its own time
        heard += os.read(pty.slave, 100)
    assert heard == sent
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
    assert 0.3 <= time.monotonic() - start_s - 61 < 0.3 + LOOK_S + 0.2
    assert pty.player.sent == 1


def test_a_wire_forgets_what_nobody_was_there_to_take(pty: Pty) -> None:
    """A pty would keep it for the next one to open the port."""
    name = os.ttyname(pty.slave)
    os.close(pty.slave)
    pty.play([Piece(0.0, b"stale"), Piece(0.01, b"as well")])
    assert (pty.player.sent, pty.player.not_taken) == (0, 12)
    pty.slave = os.open(name, os.O_RDWR | os.O_NOCTTY)
    pty.play([Piece(0.0, b"fresh")])
    assert os.read(pty.slave, 100) == b"fresh"


def set_to(slave: int, setting: Setting) -> None:
    """What a listener does to its port, and no more."""
    now = termios.tcgetattr(slave)
    now[4] = now[5] = getattr(termios, f"B{setting.baud}")
    now[2] = now[2] & ~termios.CSTOPB | (termios.CSTOPB if setting.stops == 2 else 0)
    termios.tcsetattr(slave, termios.TCSANOW, now)


@pytest.mark.parametrize("baud", [1200, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800])
def test_the_listeners_setting_is_read_at_the_far_end(pty: Pty, baud: int) -> None:
    for stops in (1, 2):
        set_to(pty.slave, Setting(baud, stops=stops))
        assert setting_at(pty.master) == Setting(baud, stops=stops)


def test_a_pty_has_no_parity_and_no_7_bits(pty: Pty) -> None:
    """What the kernel makes of it; a real port keeps them."""
    name = os.ttyname(pty.slave)
    with serial.Serial(name, 9600, bytesize=7, parity="E") as port:
        assert setting_at(pty.master) == setting_at(port.fd) == Setting(9600)


def test_a_baud_without_a_name_is_told(pty: Pty) -> None:
    with serial.Serial(os.ttyname(pty.slave), 250_000), pytest.raises(ValueError, match="without a name"):
        setting_at(pty.master)


class Heard:
    """A listener at the slave end, in a thread."""

    def __init__(self, slave: int) -> None:
        self._slave = slave
        self._stop = threading.Event()
        self.reads: list[tuple[float, bytes]] = []
        self._thread = threading.Thread(target=hear, args=(slave, self._stop, self.reads))

    @property
    def data(self) -> bytes:
        return b"".join(data for _, data in self.reads)

    def __enter__(self) -> Heard:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        time.sleep(0.05)
        self._stop.set()
        self._thread.join()


def sentences(seconds: float) -> list[Burst]:
    bursts = Receiver(ReceiverSettings(), Drive(1), 1).epochs(60, 60 + seconds)
    return [burst._replace(due_s=burst.due_s - 60) for burst in bursts]


def never(_: float) -> bool:
    return False


def test_a_wave_is_heard_at_the_listeners_setting_and_in_time(pty: Pty) -> None:
    sent = sentences(0.6)
    line = Setting(38400)
    set_to(pty.slave, line)
    player = WavePlayer(pty.master, pty.said.append)
    with Heard(pty.slave) as heard:
        start_s = time.monotonic()
        player.play(spans(sent, line, 150.0, span_s=0.1), iter([(0.3, "half")]), start_s, never)
    assert heard.data == b"".join(data for _, data in sent)
    assert (player.sent, player.not_taken, player.came_back) == (len(heard.data), 0, 0)
    assert (player.counts.rx, player.counts.frame, player.counts.brk) == (len(heard.data), 0, 0)
    assert pty.said == ["  0:00  half"]
    # No read before its last byte had ended on the wire, and late by a step and what the operating system adds.
    ends_s = [one.end_s for one in receive(encode(sent, line, 150.0), line)]
    late_s, count = [], 0
    for when_s, data in heard.reads:
        count += len(data)
        late_s.append(when_s - start_s - ends_s[count - 1])
    assert min(late_s) >= -1e-6
    assert sorted(late_s)[len(late_s) // 2] < 0.02


@pytest.mark.parametrize("spoilt", [Setting(9600), Setting(115200), Setting(38400, 7, "E")])
def test_a_listener_set_wrong_hears_what_its_uart_would(pty: Pty, spoilt: Setting) -> None:
    sent = sentences(0.6)
    listener = Setting(38400)
    set_to(pty.slave, listener)
    player = WavePlayer(pty.master, pty.said.append, phase_seed=9, speed=3.0)
    wave = encode(sent, spoilt)
    with Heard(pty.slave) as heard:
        player.play(iter([wave]), iter([]), time.monotonic(), never)
    marks = list(receive(wave, listener, 9))
    assert heard.data == bytes(one.byte for one in marks)
    assert player.counts.rx == len(marks)
    assert player.counts.brk == sum(one.brk for one in marks)
    assert player.counts.frame == sum(one.framing and not one.brk for one in marks)


def test_a_listener_that_changes_its_setting_hears_the_rest_right(pty: Pty) -> None:
    sent = sentences(1.2)
    set_to(pty.slave, Setting(38400))
    player = WavePlayer(pty.master, pty.said.append)

    def ended(now_s: float) -> bool:
        if now_s > 0.5 and setting_at(pty.master).baud != 9600:
            set_to(pty.slave, Setting(9600))
        return False

    with Heard(pty.slave) as heard:
        player.play(spans(sent, Setting(9600), span_s=0.2), iter([]), time.monotonic(), ended)
    text = b"".join(data for _, data in sent)
    assert heard.data.endswith(text[-400:])
    assert text[:40] not in heard.data
    assert heard.data[0] in (0x00, 0x80, 0x78, 0xF8)


def test_formats_that_a_pty_cannot_keep_are_given(pty: Pty) -> None:
    line = Setting(38400, 7, "E")
    player = WavePlayer(pty.master, pty.said.append, setting_of=lambda _: line, speed=5.0)
    sent = sentences(0.5)
    with Heard(pty.slave) as heard:
        player.play(spans(sent, line, span_s=0.1), iter([]), time.monotonic(), never)
    assert heard.data == b"".join(data for _, data in sent)
    assert player.counts.parity == 0


def test_a_wave_player_also_listens_and_keeps_its_end(pty: Pty) -> None:
    os.write(pty.slave, b"?")
    player = WavePlayer(pty.master, pty.said.append)
    start_s = time.monotonic()
    player.play(iter([Waveform(1, [], 0, 10**12)]), iter([]), start_s, lambda now_s: now_s > 0.1)
    assert 0.1 <= time.monotonic() - start_s < 0.1 + LOOK_S + 0.2
    assert player.came_back == 1
    assert any("b'?'" in words for words in pty.said)


def test_a_port_that_is_closed_and_opened_again_costs_what_came_between(pty: Pty) -> None:
    name = os.ttyname(pty.slave)
    sent = [Burst(0.1 * number, b"%02d\r\n" % number) for number in range(8)]
    player = WavePlayer(pty.master, pty.said.append)
    line = Setting(38400)
    set_to(pty.slave, line)
    heard = b""
    plugged = True

    def ended(now_s: float) -> bool:
        nonlocal heard, plugged
        if plugged and 0.25 < now_s < 0.45:
            heard += os.read(pty.slave, 100)
            os.close(pty.slave)
            plugged = False
        if not plugged and now_s > 0.45:
            pty.slave = os.open(name, os.O_RDWR | os.O_NOCTTY)
            plugged = True
        return False

    player.play(spans(sent, line, span_s=0.1), iter([]), time.monotonic(), ended)
    heard += os.read(pty.slave, 100)
    assert heard == b"00\r\n01\r\n02\r\n05\r\n06\r\n07\r\n"
    assert player.not_taken == 8
    assert player.came_back == 0
