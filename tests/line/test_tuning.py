"""Speed and format of a port over real ptys, read at the other end. Outside: termios, and what Linux does to a pty."""

from __future__ import annotations

import errno
import fcntl
import os
import struct
import termios
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from appliance.line import counters
from appliance.line.opening import PORT_TROUBLES, ListeningPort, why_not
from appliance.line.tuning import TCSETS2, is_pty, read_back
from appliance.sentence.counters import Counters
from appliance.sentence.setting import Setting

BAUDS = (1200, 2400, 4800, 9600, 14400, 19200, 38400, 57600, 115200, 230400, 460800)
FORMATS = ("8N1", "7E1", "7O1", "8E1", "8O1", "8N2")
Listen = Callable[..., Any]


@pytest.fixture
def port(wire: Any, no_leaks: None) -> Iterator[ListeningPort]:
    wire.plug_in()
    port = ListeningPort(wire.path, Setting(38400))
    yield port
    port.close()


def test_every_setting_is_seen_at_the_other_end(wire: Any, port: ListeningPort) -> None:
    assert read_back(wire.master) == Setting(38400)
    for baud in BAUDS:
        for name in FORMATS:
            setting = Setting.parse(baud, name)
            port.retune(setting)
            assert read_back(wire.master) == setting


def test_a_port_is_opened_at_any_setting(wire: Any, no_leaks: None) -> None:
    wire.plug_in()
    for setting in (Setting(14400), Setting(4800, 7, "O", 1), Setting(460800, 8, "N", 2)):
        port = ListeningPort(wire.path, setting)
        try:
            assert read_back(wire.master) == setting
        finally:
            port.close()


def test_a_speed_with_a_name_is_set_by_its_name(wire: Any, port: ListeningPort) -> None:
    """So that a program that knows no other way can read it: termios(3)."""
    port.retune(Setting(4800, 8, "N", 2))
    _, _, cflag, _, ispeed, ospeed, _ = termios.tcgetattr(wire.master)
    assert (ispeed, ospeed) == (termios.B4800, termios.B4800)
    assert cflag & termios.CSTOPB


def test_nothing_else_of_the_port_is_changed(wire: Any, port: ListeningPort) -> None:
    before = termios.tcgetattr(port.fileno())
    port.retune(Setting(9600, 7, "E", 1))
    port.retune(Setting(38400))
    assert termios.tcgetattr(port.fileno()) == before
    assert before[0] == 0
    assert not before[2] & (termios.HUPCL | termios.CRTSCTS)


def test_what_is_waiting_survives_a_retune(wire: Any, port: ListeningPort) -> None:
    wire.send(b"waiting")
    port.retune(Setting(115200))
    assert os.read(port.fileno(), 100) == b"waiting"


def test_all_eight_bits_come_through_at_eight_and_seven_at_seven(wire: Any, port: ListeningPort) -> None:
    every = bytes(range(256))
    for name in FORMATS:
        port.retune(Setting.parse(9600, name))
        wire.send(every)
        heard = os.read(port.fileno(), 1000)
        assert heard == (every if name[0] == "8" else bytes(byte & 0x7F for byte in every))


def test_a_driver_that_takes_another_speed_is_found_out_and_put_back(
    wire: Any, port: ListeningPort, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As drivers do that cannot divide their clock so far: the call succeeds, the speed is another."""
    real = fcntl.ioctl

    def coarse(fd: int, request: int, argument: Any = 0, *rest: Any) -> Any:
        if request == TCSETS2 and struct.unpack_from("I", argument, 40)[0] == 14400:
            argument = argument[:36] + struct.pack("2I", 9600, 9600)
        return real(fd, request, argument, *rest)

    monkeypatch.setattr(fcntl, "ioctl", coarse)
    with pytest.raises(PORT_TROUBLES) as caught:
        port.retune(Setting(14400))
    assert "cannot be set to 14,400 8N1" in why_not(caught.value, wire.path, Setting(14400))
    assert read_back(wire.master) == Setting(38400)


def test_a_port_that_has_gone_cannot_be_tuned(wire: Any, port: ListeningPort) -> None:
    wire.unplug()
    with pytest.raises(PORT_TROUBLES) as caught:
        port.retune(Setting(9600))
    assert isinstance(caught.value, OSError)
    assert caught.value.errno == errno.EIO


def test_a_pty_is_told_from_what_is_none(wire: Any, port: ListeningPort) -> None:
    assert is_pty(port.fileno())
    assert port.holding() == (0.0, 0)
    assert port.counters() is None
    assert not port.marks
    with open(os.devnull) as nothing:  # noqa: PTH123
        assert not is_pty(nothing.fileno())


def test_the_kernel_s_layout_of_the_counters() -> None:
    """struct serial_icounter_struct, Linux, include/uapi/linux/serial.h: 20 ints."""
    assert counters.unpack(struct.pack("20i", *range(1, 21))) == (7, 9, 10, 8, 11)


def test_counters_since_an_earlier_reading_are_never_negative() -> None:
    later, earlier = Counters(5, 4, 3, 2, 1), Counters(1, 4, 9, 0, 0)
    assert later.since(earlier) == (4, 0, 0, 2, 1)
