"""The reader over real ptys. Outside: pyserial as the second program, the system's own calls for what fails."""

from __future__ import annotations

import errno
import os
import random
import select
import threading
import time
from collections.abc import Callable
from typing import Any

import pytest
import serial

from appliance.line.opening import ListeningPort
from appliance.line.port import RETRY_FIRST_S, RETRY_MOST_S, LineReader, LineSettings, PortState
from appliance.sentence.chunk import Chunk
from appliance.sentence.setting import Setting

# Published at https://gpsinformation.org/dale/nmea.htm
SENTENCE = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"

Listen = Callable[..., Any]


def test_bytes_arrive_whole_and_in_order_over_thousands_of_writes(wire: Any, listen: Listen) -> None:
    dice = random.Random(20)
    sent = [dice.randbytes(dice.choice((1, 2, 16, 82, 700))) for _ in range(3000)]
    wire.plug_in()
    listener = listen(wire.path)
    sender = threading.Thread(target=lambda: [wire.send(data) for data in sent])
    sender.start()
    try:
        assert listener.wait_bytes(sum(map(len, sent))) == b"".join(sent)
    finally:
        sender.join()
    assert wire.heard_back() == b""


def test_times_follow_on_and_never_run_ahead_of_the_clock(wire: Any, listen: Listen) -> None:
    wire.plug_in()
    began_ns = time.monotonic_ns()
    listener = listen(wire.path)
    listener.wait_state("open")
    for count in range(1, 200):
        wire.send(SENTENCE)
        listener.wait_bytes(count * len(SENTENCE))
    assert listener.chunks[0].start_ns >= began_ns
    assert listener.chunks[-1].end_ns <= time.monotonic_ns()
    for before, after in zip(listener.chunks, listener.chunks[1:], strict=False):
        assert before.end_ns + after.step_ns <= after.start_ns


def test_every_byte_value_comes_through(wire: Any, listen: Listen) -> None:
    wire.plug_in()
    listener = listen(wire.path)
    every = bytes(range(256)) * 3 + b"\xff\x00\xff\xff\x03\x11\x13\x1a"
    wire.send(every)
    assert listener.wait_bytes(len(every)) == every


def test_what_was_sent_before_the_opening_is_kept(wire: Any, listen: Listen) -> None:
    wire.plug_in()
    wire.send(SENTENCE)
    listener = listen(wire.path)
    assert listener.wait_bytes(len(SENTENCE)) == SENTENCE


def test_a_missing_port_is_told_once_and_found_when_it_comes(wire: Any, listen: Listen) -> None:
    listener = listen(wire.path)
    missing = listener.wait_state("missing")
    assert wire.path in missing.says
    assert "is the adapter plugged in" in missing.says
    _beats(listener.reader, 20)  # several attempts later
    assert listener.nothing_more()
    wire.plug_in()
    assert listener.wait_state("open").says == ""
    wire.send(SENTENCE)
    assert listener.wait_bytes(len(SENTENCE)) == SENTENCE


def test_it_goes_on_after_unplugging(wire: Any, listen: Listen) -> None:
    wire.plug_in()
    listener = listen(wire.path)
    for times in range(1, 6):
        listener.wait_state("open")
        wire.send(SENTENCE)
        listener.wait_bytes(times * len(SENTENCE))
        assert wire.heard_back() == b""
        wire.unplug()
        assert "pulled out" in listener.wait_state("lost").says
        wire.plug_in()
    states = [state.state for state in listener.states]
    assert states.count("open") == states.count("lost") == 5
    ends = [(chunk.start_ns, chunk.end_ns) for chunk in listener.chunks]
    assert ends == sorted(ends)


def test_a_second_program_is_refused_and_refuses_us_in_plain_words(wire: Any, listen: Listen) -> None:
    wire.plug_in()
    listener = listen(wire.path)
    listener.wait_state("open")
    with pytest.raises(serial.SerialException, match="exclusively lock"):
        serial.Serial(wire.path, 9600, exclusive=True)
    second = listen(wire.path, name="from-controller", baud=4800)
    assert "Another program holds" in second.wait_state("missing").says
    wire.send(SENTENCE)
    assert listener.wait_bytes(len(SENTENCE)) == SENTENCE
    listener.reader.stop()
    second.wait_state("open")  # it had not given up


def test_nothing_is_ever_sent_back(wire: Any, listen: Listen) -> None:
    """From the sender's end, over opening, traffic, a hang-up, a new opening and the close; the port as it comes."""
    for _ in range(3):
        wire.plug_in(raw=False)
        listener = listen(wire.path)
        listener.wait_state("open")
        data = SENTENCE * 3 + bytes(range(256)) + b"\x03\x04\x11\x13\x16\x1a\x7f\r\n"
        for times in range(1, 21):
            wire.send(data)
            assert listener.wait_bytes(times * len(data))[-len(data) :] == data
            assert wire.heard_back() == b""
        listener.reader.stop()
        listener.wait_state("stopped")
        assert wire.heard_back() == b""
        again = listen(wire.path)
        again.wait_state("open")
        wire.send(data)
        again.wait_bytes(len(data))
        assert wire.heard_back() == b""
        wire.unplug()
        again.wait_state("lost")
        again.reader.stop()


def test_a_reader_that_steals_the_bytes_is_named(wire: Any, listen: Listen, monkeypatch: pytest.MonkeyPatch) -> None:
    """What os.read gives when another program, with the port open from before, was quicker."""
    wire.plug_in()
    listener = listen(wire.path)
    listener.wait_state("open")
    real = os.read
    monkeypatch.setattr(os, "read", lambda fd, count: real(fd, count)[:0])
    wire.send(SENTENCE)
    assert "another program may be reading" in listener.wait_state("lost").says


def test_a_read_that_fails_is_a_lost_port(wire: Any, listen: Listen, monkeypatch: pytest.MonkeyPatch) -> None:
    """What os.read raises when an adapter dies without hanging up."""
    wire.plug_in()
    listener = listen(wire.path)
    listener.wait_state("open")
    real = os.read

    def fail(fd: int, count: int) -> bytes:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "read", fail)
    wire.send(SENTENCE)
    assert "is the adapter still plugged in" in listener.wait_state("lost").says
    monkeypatch.setattr(os, "read", real)
    listener.wait_state("open")
    assert listener.wait_bytes(len(SENTENCE)) == SENTENCE


def test_the_heart_beats_in_silence_and_while_the_port_is_missing(wire: Any, listen: Listen) -> None:
    listener = listen(wire.path)
    listener.wait_state("missing")
    _beats(listener.reader, 3)
    wire.plug_in()
    listener.wait_state("open")
    _beats(listener.reader, 3)


def test_it_stops_at_once_from_every_state(wire: Any, no_leaks: None) -> None:
    """With waits of hours between beats and attempts, so that only the stop itself can end them."""
    wire.plug_in()
    for state, path in (("open", wire.path), ("missing", wire.path + "-none")):
        seen: list[PortState] = []
        there = threading.Event()

        def hand_over(line: str, item: Any, seen: list[PortState] = seen, there: threading.Event = there) -> None:
            if isinstance(item, PortState):
                seen.append(item)
                there.set()

        reader = LineReader(LineSettings("from-receiver", path), hand_over, beat_s=9999, retry_s=(9999, 9999))
        assert not reader.is_alive()
        reader.start()
        assert there.wait(10)
        reader.stop()
        reader.stop()
        assert reader.join(5)
        reader.stop()
        assert [item.state for item in seen] == [state, "stopped"]
        assert {item.line for item in seen} == {"from-receiver"}


def test_a_stop_before_the_start_is_kept(wire: Any, no_leaks: None) -> None:
    wire.plug_in()
    seen: list[Any] = []
    reader = LineReader(LineSettings("from-receiver", wire.path), lambda _line, item: seen.append(item))
    reader.stop()
    reader.start()
    assert reader.join(5)
    assert [item.state for item in seen] == ["stopped"]
    with pytest.raises(RuntimeError):
        reader.start()


def test_attempts_grow_rarer_and_a_port_that_held_is_tried_soon_again(
    wire: Any, no_leaks: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The waits are seen, and made to pass at once, where they leave the program: at the system's poll."""
    assert (RETRY_FIRST_S, RETRY_MOST_S) == (0.25, 5.0)
    waits_s: list[float] = []
    rounds: list[int] = []  # of listening to the port

    class Poll:
        def __init__(self) -> None:
            self.descriptors: list[int] = []

        def register(self, descriptor: int, _events: int) -> None:
            self.descriptors.append(descriptor)

        def poll(self, wait_ms: float) -> list[tuple[int, int]]:
            if len(self.descriptors) == 1:  # a rest between two attempts
                waits_s.append(wait_ms / 1000)
                if len(waits_s) == 8:
                    wire.plug_in()
                if len(waits_s) == 10:
                    reader.stop()
                return []
            rounds.append(self.descriptors[0])
            if len(rounds) == 1:
                return []  # a round of silence
            wire.unplug()
            return [(self.descriptors[0], select.POLLIN | select.POLLHUP)]

    reader = LineReader(LineSettings("from-receiver", wire.path), lambda *_: None, beat_s=60)
    monkeypatch.setattr(select, "poll", Poll)
    reader.start()
    assert reader.join(5)
    assert waits_s == [0.25, 0.5, 1.0, 2.0, 4.0, 5.0, 5.0, 5.0, 0.25, 0.5]


def test_what_hand_over_raises_ends_the_thread_and_frees_the_port(
    wire: Any, no_leaks: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    raised: list[BaseException | None] = []
    monkeypatch.setattr(threading, "excepthook", lambda args: raised.append(args.exc_value))

    def hand_over(line: str, item: Any) -> None:
        if not isinstance(item, Chunk):
            return
        raise OSError("the receiving end is broken")

    wire.plug_in()
    reader = LineReader(LineSettings("from-receiver", wire.path), hand_over)
    reader.start()
    wire.send(SENTENCE)
    assert reader.join(5)
    assert [str(trouble) for trouble in raised] == ["the receiving end is broken"]
    ListeningPort(wire.path, Setting(38400)).close()


def _beats(reader: LineReader, count: int) -> None:
    """Wait for so many beats of the heart."""
    for _ in range(count):
        before, patience_ns = reader.heartbeat_ns, time.monotonic_ns() + 10_000_000_000
        while reader.heartbeat_ns == before:
            assert time.monotonic_ns() < patience_ns
            time.sleep(0.001)
        assert reader.heartbeat_ns > before
