"""Opening a serial port so that it only listens, and saying in plain words why it cannot be opened.

Nothing here or in the reader writes to the port. pyserial opens it for reading and writing, since that is how a
terminal's settings are changed; the write side is never used, and echo, XON/XOFF and hand-shake lines, by which a
kernel may speak of itself, are off. One thing no program can prevent: the kernel raises DTR and RTS while it opens
a real port and keeps the port's earlier settings, echo among them, until the new ones are set a fraction of a
millisecond later. So the box's transmit, DTR and RTS pins are not to be wired to the line at all.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import struct
import termios

import serial

from appliance.line import counters
from appliance.line.floor import NOT_HELD, Holding, holding
from appliance.line.tuning import is_pty, tune
from appliance.sentence.counters import Counters
from appliance.sentence.setting import Setting

# What pyserial and the kernel raise over a port that is missing, refused or pulled out. termios.error is no OSError;
# TypeError comes of a descriptor that has gone; ValueError of a baud the port cannot do.
PORT_TROUBLES = (OSError, termios.error, TypeError, ValueError)

_PYSERIAL_PIPES = ("pipe_abort_read_r", "pipe_abort_read_w", "pipe_abort_write_r", "pipe_abort_write_w")

# Linux, include/uapi/linux/serial.h and tty_flags.h: the flags are the fifth int of struct serial_struct.
_SERIAL_STRUCT_SIZE = 128
_SERIAL_FLAGS = struct.Struct("16xi")
_ASYNC_LOW_LATENCY = 1 << 13

_ECHOES = termios.ECHO | termios.ECHONL

_NO_DEVICE = "There is no port {path}: is the adapter plugged in, and is this the right name?"
_NOT_ALLOWED = "This program may not open {path}: add its user to the group dialout."
_BUSY = "Another program holds {path}: close it; only this box may listen here."
_NOT_SERIAL = "{path} is no serial port: set the right one in the settings."
_GONE = "{path} does not answer: is the adapter still plugged in?"
_WORDS: dict[int, str] = {
    errno.ENOENT: _NO_DEVICE,
    errno.ENODEV: _NO_DEVICE,
    errno.ENXIO: _NO_DEVICE,
    errno.ENOTDIR: _NO_DEVICE,
    errno.EACCES: _NOT_ALLOWED,
    errno.EPERM: _NOT_ALLOWED,
    errno.EAGAIN: _BUSY,
    errno.EBUSY: _BUSY,
    errno.ENOTTY: _NOT_SERIAL,
    errno.EISDIR: _NOT_SERIAL,
    errno.EINVAL: "{path} cannot be set to {setting}: use another port or adapter, or another setting.",
    errno.EIO: _GONE,
    errno.EPIPE: _GONE,
    errno.ESHUTDOWN: _GONE,
    errno.EPROTO: _GONE,
    errno.EMFILE: "This program has too many files open; start the box again.",
    errno.ENFILE: "The box has too many files open; start it again.",
}


class _ListeningSerial(serial.Serial):  # type: ignore[misc]
    """pyserial's port, less what it does at open that a listener must not do or need not insist on."""

    def _reset_input_buffer(self) -> None:
        """Keep what has come between the opening and now: those bytes are evidence as well."""

    def _update_dtr_state(self) -> None:
        with contextlib.suppress(OSError):  # some adapters, and every pty, refuse
            super()._update_dtr_state()

    def _update_rts_state(self) -> None:
        with contextlib.suppress(OSError):
            super()._update_rts_state()


class ListeningPort:
    """An open port: raw, exclusive, DTR and RTS down, never written to. One thread owns it.

    marks: whether flawed bytes are marked in what it reads (see marks); so it is where the kernel counts its troubles.
    """

    def __init__(self, path: str, setting: Setting) -> None:
        """Open path at a setting. Raises one of PORT_TROUBLES; see why_not."""
        self.marks = False
        self._path = path
        self._setting = setting
        self._low_latency = False
        self._serial = _ListeningSerial(
            baudrate=setting.baud,
            bytesize=serial.EIGHTBITS,
            parity=serial.PARITY_NONE,
            stopbits=serial.STOPBITS_ONE,
            timeout=0,
            exclusive=True,
        )
        self._serial.dtr = False
        self._serial.rts = False
        self._serial.port = path
        self._serial.open()
        try:
            self._quieten()
            self.marks = self.counters() is not None
            tune(self.fileno(), setting, self.marks)
        except BaseException:
            self.close()
            raise

    def fileno(self) -> int:
        """The descriptor, for poll and os.read."""
        return int(self._serial.fd)

    def counters(self) -> Counters | None:
        """What the kernel has counted since its driver came up; None: not available."""
        return counters.read(self.fileno())

    def holding(self) -> Holding:
        """For how long the port may hold a byte back at its present setting."""
        return NOT_HELD if is_pty(self.fileno()) else holding(self._path, self._setting, self._low_latency)

    def retune(self, setting: Setting) -> None:
        """Listen at another setting from now on; nothing else about the port changes, nothing is flushed.

        Raises one of PORT_TROUBLES, and then listens as before if the port is still there; see why_not.
        """
        tune(self.fileno(), setting, self.marks)
        self._setting = setting

    def close(self) -> None:
        """Give the port back. Never raises and never waits; safe to call again."""
        if not self._serial.is_open:
            return
        with contextlib.suppress(*PORT_TROUBLES):  # a pty keeps the mark for as long as its other end lives
            fcntl.ioctl(self.fileno(), termios.TIOCNXCL)
        try:
            self._serial.close()
        except PORT_TROUBLES:
            self._serial.fd = None  # so that its finaliser cannot close a number that by then is another file's
            for end in _PYSERIAL_PIPES:
                os.close(getattr(self._serial, end))

    def _quieten(self) -> None:
        """Take off what pyserial leaves as it was, and make sure that the port will not echo."""
        fd = self.fileno()
        with contextlib.suppress(OSError):
            fcntl.ioctl(fd, termios.TIOCEXCL)
        settings = termios.tcgetattr(fd)
        settings[0] = 0  # input: a break or a bad byte comes as data; no XOFF is ever sent
        settings[2] &= ~termios.HUPCL  # control: closing does not touch DTR
        settings[3] = 0  # local: no echo, no line editing, no signals
        termios.tcsetattr(fd, termios.TCSANOW, settings)
        if termios.tcgetattr(fd)[3] & _ECHOES:  # tcsetattr succeeds if it could do any part of what was asked
            raise OSError("it keeps echoing what it hears, and so would speak on the line")
        # Where it exists: an adapter then hands bytes on each millisecond, not each 16.
        with contextlib.suppress(*PORT_TROUBLES, NotImplementedError, AttributeError):
            self._serial.set_low_latency_mode(True)
            self._low_latency = _is_low_latency(fd)


def _is_low_latency(descriptor: int) -> bool:
    """Whether the driver kept the flag; some take it without a word and without effect."""
    packed = fcntl.ioctl(descriptor, termios.TIOCGSERIAL, bytes(_SERIAL_STRUCT_SIZE))
    return bool(_SERIAL_FLAGS.unpack_from(packed)[0] & _ASYNC_LOW_LATENCY)


def why_not(trouble: BaseException, path: str, setting: Setting) -> str:
    """Plain words for one of PORT_TROUBLES: what is wrong with the port at path and what to do."""
    number = trouble.errno if isinstance(trouble, OSError) else None
    if number is None and isinstance(trouble.__context__, termios.error):
        trouble = trouble.__context__  # pyserial tells of this one in its text alone
    if isinstance(trouble, termios.error) and trouble.args and isinstance(trouble.args[0], int):
        number = trouble.args[0]
    if number is None and isinstance(trouble, ValueError):
        number = errno.EINVAL
    words = _WORDS.get(number) if number is not None else None
    if words is None:
        detail = os.strerror(number) if number is not None else str(trouble)
        return f"{path} cannot be used: {detail}."
    return words.format(path=path, setting=setting)
