"""Tuning a running reader, the kernel's counters and its marks, over real ptys.

A pty has no counters. Where a test needs some they are put in at the lowest seam, the system's ioctl; the kernel then
marks the stream of the pty as it would a UART's, though it never finds a byte flawed there.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
import termios
import threading
import time
from collections.abc import Callable
from typing import Any

import pytest

from appliance.line.counting import AFTER_READ_NS, IN_SILENCE_NS, Counting
from appliance.line.port import Counted, LineReader, LineSettings, PortState, Tuned
from appliance.line.tuning import TCSETS2, read_back
from appliance.sentence.chunk import Chunk
from appliance.sentence.counters import Counters
from appliance.sentence.setting import Setting

TIOCGICOUNT = 0x545D
Listen = Callable[..., Any]


class Driver:
    """Answers TIOCGICOUNT as a UART's driver does; all else goes to the kernel."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.counts = [0] * 20
        self._real = fcntl.ioctl
        monkeypatch.setattr(fcntl, "ioctl", self._ioctl)

    def count(self, **more: int) -> None:
        places = {"framing": 6, "overrun": 7, "parity": 8, "breaks": 9, "buffer_overrun": 10}
        for name, value in more.items():
            self.counts[places[name]] += value

    def _ioctl(self, fd: int, request: int, *rest: Any) -> Any:
        return struct.pack("20i", *self.counts) if request == TIOCGICOUNT else self._real(fd, request, *rest)


def test_what_waits_is_heard_at_the_old_setting_and_all_after_it_at_the_new(wire: Any, listen: Listen) -> None:
    wire.plug_in()
    listener = listen(wire.path)
    listener.wait_state("open")
    for baud in (9600, 14400, 460800, 4800) * 5:
        began = len(listener.chunks)
        wire.send(b"old")
        listener.reader.tune(Setting(baud))
        tuned = listener.wait_for(Tuned)
        assert tuned.setting == Setting(baud) == read_back(wire.master)
        assert (tuned.line, tuned.says, tuned.floor_s) == ("from-receiver", "", 0.0)
        assert b"".join(chunk.data for chunk in listener.chunks[began:]) == b"old"
        assert listener.chunks[-1].end_ns <= tuned.at_ns
        wire.send(b"new!")
        listener.wait_bytes(sum(len(chunk.data) for chunk in listener.chunks) + 4)
        assert listener.chunks[-1].step_ns <= Setting(baud).character_s * 1e9 + 1
    assert wire.heard_back() == b""


def test_byte_times_go_by_the_new_setting(wire: Any, listen: Listen) -> None:
    wire.plug_in()
    listener = listen(wire.path)
    listener.reader.tune(Setting(115200, 7, "E", 1))
    listener.wait_for(Tuned)
    time.sleep(0.005)
    wire.send(b"ab")
    listener.wait_bytes(2)
    assert listener.chunks[-1].step_ns == round(10e9 / 115200)


def test_a_port_opened_anew_goes_back_to_what_is_configured_and_says_so(wire: Any, listen: Listen) -> None:
    wire.plug_in()
    listener = listen(wire.path, baud=9600)
    listener.wait_state("open")
    assert read_back(wire.master) == Setting(9600)
    listener.reader.tune(Setting(38400))
    listener.wait_for(Tuned)
    wire.unplug()
    listener.wait_state("lost")
    wire.plug_in()
    listener.wait_state("open")
    tuned = listener.wait_for(Tuned)
    assert (tuned.setting, tuned.says) == (Setting(9600), "")
    assert read_back(wire.master) == Setting(9600)
    wire.unplug()
    listener.wait_state("lost")
    wire.plug_in()
    listener.wait_state("open")
    listener.wait_for(Counted)
    wire.send(b"x")
    listener.wait_bytes(1)
    assert len(listener.tuned) == 2  # nothing to say where nothing had been changed


def test_a_tune_before_there_is_a_port_waits_for_it_and_the_last_one_counts(wire: Any, no_leaks: None) -> None:
    """With waits of hours between beats and attempts, so that only a ring can end them."""
    seen: list[Any] = []
    there = threading.Event()

    def hand_over(line: str, item: Any) -> None:
        seen.append(item)
        if isinstance(item, Tuned):
            there.set()

    wire.plug_in()
    reader = LineReader(LineSettings("from-receiver", wire.path), hand_over, beat_s=9999, retry_s=(9999, 9999))
    for baud in (1200, 2400, 4800) * 25_000:  # more rings than a pipe holds
        reader.tune(Setting(baud))
    reader.start()
    try:
        assert there.wait(10)
        there.clear()
        reader.tune(Setting(19200))
        assert there.wait(10)
        for _ in range(70_000):
            reader.tune(Setting(19200))
    finally:
        reader.stop()
        assert reader.join(5)
    tuned = [item.setting for item in seen if isinstance(item, Tuned)]
    assert tuned[:2] == [Setting(4800), Setting(19200)]
    assert [item.state for item in seen if isinstance(item, PortState)] == ["open", "stopped"]


def test_a_tune_that_fails_is_told_with_the_setting_that_stays(
    wire: Any, listen: Listen, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = fcntl.ioctl

    def refuse(fd: int, request: int, argument: Any = 0, *rest: Any) -> Any:
        if request == TCSETS2 and struct.unpack_from("I", argument, 40)[0] == 14400:
            raise OSError(errno.EINVAL, "Invalid argument")
        return real(fd, request, argument, *rest)

    monkeypatch.setattr(fcntl, "ioctl", refuse)
    wire.plug_in()
    listener = listen(wire.path)
    listener.reader.tune(Setting(14400))
    tuned = listener.wait_for(Tuned)
    assert tuned.setting == Setting(38400)
    assert "cannot be set to 14,400 8N1" in tuned.says
    wire.send(b"still here")
    assert listener.wait_bytes(10) == b"still here"


def test_a_port_without_counters_says_so_once_for_each_opening(wire: Any, listen: Listen) -> None:
    wire.plug_in()
    listener = listen(wire.path)
    listener.wait_state("open")
    assert listener.wait_for(Counted).counters is None
    wire.send(b"\xff\x00a\xff")
    assert listener.wait_bytes(4) == b"\xff\x00a\xff"
    assert all(chunk.flawed is None for chunk in listener.chunks)
    assert listener.reader.is_alive()
    assert len(listener.counted) == 1


def test_counts_since_the_opening_are_told_when_they_change(
    wire: Any, listen: Listen, monkeypatch: pytest.MonkeyPatch
) -> None:
    driver = Driver(monkeypatch)
    driver.count(framing=1000, overrun=7)
    wire.plug_in()
    listener = listen(wire.path)
    assert listener.wait_for(Counted).counters == Counters(0, 0, 0, 0, 0)
    driver.count(framing=2, parity=1, breaks=3, buffer_overrun=1)
    assert listener.wait_for(Counted).counters == Counters(2, 1, 3, 0, 1)  # in silence
    driver.count(overrun=4)
    wire.send(b"x")
    assert listener.wait_for(Counted).counters == Counters(2, 1, 3, 4, 1)


def test_where_there_are_counters_the_kernel_marks_and_the_marks_are_taken_out(
    wire: Any, listen: Listen, monkeypatch: pytest.MonkeyPatch
) -> None:
    Driver(monkeypatch)
    wire.plug_in()
    listener = listen(wire.path)
    listener.wait_for(Counted)
    assert termios.tcgetattr(wire.master)[0] == termios.INPCK | termios.PARMRK
    every = bytes(range(256)) + b"\xff" * 100 + b"\xff\x00\x00\xff\x00a"
    for _ in range(20):
        wire.send(every)
    assert listener.wait_bytes(20 * len(every)) == 20 * every
    assert {chunk.flawed for chunk in listener.chunks} == {()}
    listener.reader.tune(Setting(9600))
    listener.wait_for(Tuned)
    assert termios.tcgetattr(wire.master)[0] == termios.INPCK | termios.PARMRK


def test_flawed_bytes_are_dated_as_one_byte_each_and_told(
    wire: Any, listen: Listen, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The marks of a kernel that found some, as read gives them; cut in the middle of one."""
    Driver(monkeypatch)
    wire.plug_in()
    listener = listen(wire.path)
    listener.wait_for(Counted)
    real, given = os.read, [b"$G\xff\x00\xd0GGA\xff", b"\x00\x00,1"]

    def read(fd: int, count: int) -> bytes:
        data = real(fd, count)
        return given.pop(0) if data == b"go" else data

    monkeypatch.setattr(os, "read", read)
    wire.send(b"go")
    assert listener.wait_bytes(6) == b"$G\xd0GGA"
    assert listener.chunks[-1].flawed == (2,)
    time.sleep(0.005)  # so that there is room on the wire for three bytes
    wire.send(b"go")
    assert listener.wait_bytes(9)[6:] == b"\x00,1"
    last = listener.chunks[-1]
    assert last.flawed == (0,)
    assert last.end_ns - last.start_ns == 2 * round(10e9 / 38400)


def test_counters_are_looked_at_no_more_often_than_is_useful() -> None:
    now_ns = looks = 0
    told: list[Any] = []

    def read() -> Counters:
        nonlocal looks
        looks += 1
        return Counters(looks, 0, 0, 0, 0)

    counting = Counting(read, told.append, lambda: now_ns)
    for now_ns in range(0, 10_000_000_000, 1_000_000):  # noqa: B007  (read by the clock)
        counting.look(after_read=True)
    assert looks - 1 == 10_000_000_000 // AFTER_READ_NS - 1
    before = looks
    for now_ns in range(10_000_000_000, 20_000_000_000, 1_000_000):  # noqa: B007
        counting.look(after_read=False)
    assert looks - before == 10_000_000_000 // IN_SILENCE_NS
    assert [one.framing for one in told] == list(range(looks))


def test_counters_that_do_not_change_or_cannot_be_read_any_more_are_not_told() -> None:
    now_ns, found = 0, Counters(3, 0, 0, 0, 0)
    told: list[Any] = []
    answers: list[Counters | None] = [found, found, None, found]
    counting = Counting(lambda: answers.pop(0), told.append, lambda: now_ns)
    for now_ns in (1_000_000_000, 2_000_000_000, 3_000_000_000):  # noqa: B007
        counting.look(after_read=False)
    assert told == [Counters(0, 0, 0, 0, 0)]
    assert answers == []


def test_a_chunk_without_flaws_told_is_as_it_was() -> None:
    assert Chunk(b"a", 1, 2) == Chunk(b"a", 1, 2, None)
    assert Chunk(b"a", 1, 2) != Chunk(b"a", 1, 2, ())
