"""Opening a port over real ptys. Outside: termios and a second program for how the port is left."""

from __future__ import annotations

import errno
import fcntl
import gc
import os
import subprocess
import sys
import termios
from collections.abc import Callable
from typing import Any

import pytest
import serial

from appliance.line.opening import ListeningPort, why_not
from appliance.sentence.setting import Setting

Listen = Callable[..., Any]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become nobody")
def test_the_kernel_keeps_others_out_but_not_after_the_close(wire: Any, no_leaks: None) -> None:
    attempt = [
        sys.executable,
        "-c",
        "import os, sys; os.setuid(65534); os.close(os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY))",
    ]
    wire.plug_in()
    slave = os.path.realpath(wire.path)
    os.chmod(slave, 0o666)  # noqa: PTH101
    port = ListeningPort(slave, Setting(38400))
    try:
        refused = subprocess.run([*attempt, slave], capture_output=True, text=True, check=False)
    finally:
        port.close()
    assert refused.returncode != 0
    assert os.strerror(errno.EBUSY) in refused.stderr
    assert subprocess.run([*attempt, slave], check=False).returncode == 0


def test_the_port_is_set_to_listen_only(wire: Any, no_leaks: None) -> None:
    wire.plug_in(raw=False)
    port = ListeningPort(wire.path, Setting(38400))
    try:
        iflag, oflag, cflag, lflag, ispeed, ospeed, _ = termios.tcgetattr(port.fileno())
    finally:
        port.close()
    port.close()
    assert not iflag & (termios.IXON | termios.IXOFF | termios.ISTRIP | termios.PARMRK | termios.BRKINT)
    assert not lflag & (termios.ECHO | termios.ECHONL | termios.ICANON | termios.ISIG)
    assert not oflag & termios.OPOST
    assert not cflag & (termios.HUPCL | termios.PARENB | termios.CSTOPB | termios.CRTSCTS)
    assert cflag & termios.CSIZE == termios.CS8
    assert (ispeed, ospeed) == (termios.B38400, termios.B38400)


def test_dtr_and_rts_are_let_down_even_where_the_adapter_refuses(
    wire: Any, no_leaks: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    real = fcntl.ioctl

    def refuse(fd: int, request: int, *rest: Any) -> Any:
        if request in (termios.TIOCMBIC, termios.TIOCMBIS, termios.TIOCMSET):
            asked.append(request)
            raise BrokenPipeError(errno.EPIPE, "Broken pipe")
        return real(fd, request, *rest)

    monkeypatch.setattr(fcntl, "ioctl", refuse)
    wire.plug_in()
    ListeningPort(wire.path, Setting(38400)).close()
    assert asked == [termios.TIOCMBIC, termios.TIOCMBIC]


def test_a_port_that_keeps_echoing_is_not_used(wire: Any, listen: Listen, monkeypatch: pytest.MonkeyPatch) -> None:
    real = termios.tcsetattr

    def stubborn(fd: int, when: int, settings: list[Any]) -> None:
        real(fd, when, [*settings[:3], settings[3] | termios.ECHO, *settings[4:]])

    monkeypatch.setattr(termios, "tcsetattr", stubborn)
    wire.plug_in()
    listener = listen(wire.path)
    assert "keeps echoing" in listener.wait_state("missing").says


def test_a_close_that_fails_is_not_done_again_to_another_file(
    wire: Any, no_leaks: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    wire.plug_in()
    port = ListeningPort(wire.path, Setting(38400))
    number, real = port.fileno(), os.close

    def fail(fd: int) -> None:
        real(fd)
        if fd == number:
            raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(os, "close", fail)
        port.close()
    reused = os.open("/dev/null", os.O_RDONLY)
    try:
        assert reused == number
        port.close()
        del port
        gc.collect()
        os.fstat(reused)
    finally:
        os.close(reused)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: path.mkdir(), "is no serial port"),
        (lambda path: path.write_bytes(b""), "is no serial port"),
        (lambda path: path.symlink_to("/dev/null"), "is no serial port"),
        (lambda path: path.symlink_to("none"), "is the adapter plugged in"),
        (lambda path: path.symlink_to(path.name), "cannot be used: Too many levels of symbolic links"),
    ],
    ids=["folder", "file", "null", "dangling", "loop"],
)
def test_what_is_no_port_is_told_in_words(make: Any, words: str, tmp_path: Any, listen: Listen) -> None:
    path = tmp_path / "not-a-port"
    make(path)
    listener = listen(str(path))
    assert words in listener.wait_state("missing").says


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        (serial.SerialException(errno.EACCES, "could not open port"), "add its user to the group dialout"),
        (PermissionError(errno.EPERM, "Operation not permitted"), "add its user to the group dialout"),
        (OSError(errno.EBUSY, "Device or resource busy"), "Another program holds /dev/ttyUSB0"),
        (OSError(errno.EIO, "Input/output error"), "is the adapter still plugged in"),
        (BrokenPipeError(errno.EPIPE, "Broken pipe"), "is the adapter still plugged in"),
        (termios.error(errno.EIO, "Input/output error"), "is the adapter still plugged in"),
        (termios.error(errno.EINVAL, "Invalid argument"), "cannot be set to 38,400 8N1"),
        (ValueError("Failed to set custom baud rate (12345): [Errno 22]"), "cannot be set to 38,400 8N1"),
        (OSError(errno.EMFILE, "Too many open files"), "too many files open"),
        (TypeError("an integer is required"), "cannot be used: an integer is required"),
    ],
)
def test_each_trouble_has_its_words(trouble: BaseException, words: str) -> None:
    said = why_not(trouble, "/dev/ttyUSB0", Setting(38400))
    assert words in said
    assert said.endswith((".", "?"))
