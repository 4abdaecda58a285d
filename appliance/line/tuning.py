"""A port's speed and format, set and read back on the open descriptor.

One TCSETS2 (Linux, include/uapi/asm-generic/termbits.h) changes all of it at the same instant, takes any speed and
flushes nothing. The modem lines stay as they are: a driver moves DTR and RTS with the speed only at B0, which is
never set. What a driver could not do it changes silently, so the setting is read back.

A pty keeps CS8 and no parity whatever is asked (drivers/tty/pty.c), but it does keep the input flags. So there the
format is in them as well: ISTRIP for 7 bits, INPCK for parity. Whoever plays a line's other end can read it.
"""

from __future__ import annotations

import fcntl
import os
import stat
import struct
import termios
from typing import NamedTuple

from appliance.sentence.setting import Setting

TCGETS2, TCSETS2 = 0x802C542A, 0x402C542B  # as on x86, ARM and RISC-V
BOTHER = 0o010000  # the speed is a number, not a code
_CIBAUD = termios.CBAUD << 16  # 0 there: the input speed is the output speed
_CMSPAR = 0o10000000000
_LAYOUT = struct.Struct("=4IB19s2I")
_PTY_MAJORS = range(136, 144)  # UNIX98_PTY_SLAVE_MAJOR, include/uapi/linux/major.h
_BAUD_OFF_MOST = 0.02
"""What an 8N1 receiver stands of both ends' clocks together is about twice this: chip manuals, common practice."""


class _Termios2(NamedTuple):
    iflag: int
    oflag: int
    cflag: int
    lflag: int
    line: int
    cc: bytes
    ispeed: int
    ospeed: int


def is_pty(descriptor: int) -> bool:
    """Whether it is the box's end of a pty, which stands in for a port in tests and demonstrations."""
    found = os.fstat(descriptor)
    return stat.S_ISCHR(found.st_mode) and os.major(found.st_rdev) in _PTY_MAJORS


def read_back(descriptor: int) -> Setting:
    """How a port is set; asked at a pty's other end, how the box has set its own. OSError; ValueError: 5 or 6 bits."""
    found = _get(descriptor)
    bits = {termios.CS8: 8, termios.CS7: 7}.get(found.cflag & termios.CSIZE, 0)
    parity = bool(found.cflag & termios.PARENB) or found.iflag & (termios.INPCK | termios.PARMRK) == termios.INPCK
    return Setting(
        found.ospeed,
        7 if found.iflag & termios.ISTRIP else bits,
        ("O" if found.cflag & termios.PARODD else "E") if parity else "N",
        2 if found.cflag & termios.CSTOPB else 1,
    )


def tune(descriptor: int, setting: Setting, marks: bool) -> None:
    """Set a port at once; marks: have the kernel mark flawed bytes in the stream.

    OSError or ValueError: it cannot be set so; it then is as it was before, if it can be.
    """
    before = _get(descriptor)
    pty = is_pty(descriptor)
    _set(descriptor, _wanted(before, setting, marks, pty))
    if _is_set(_get(descriptor), setting, pty):
        return
    _set(descriptor, before)
    raise ValueError(f"the port took another setting than {setting}")


def _wanted(now: _Termios2, setting: Setting, marks: bool, pty: bool) -> _Termios2:
    iflag = now.iflag & ~(termios.INPCK | termios.PARMRK | termios.IGNPAR | termios.ISTRIP)
    if marks:
        iflag |= termios.INPCK | termios.PARMRK
    if pty:
        iflag |= (termios.INPCK if setting.parity != "N" else 0) | (termios.ISTRIP if setting.bits == 7 else 0)
    cflag = now.cflag & ~(
        termios.CBAUD | _CIBAUD | termios.CSIZE | termios.PARENB | termios.PARODD | _CMSPAR | termios.CSTOPB
    )
    cflag |= getattr(termios, f"B{setting.baud}", BOTHER)
    cflag |= termios.CS7 if setting.bits == 7 else termios.CS8
    cflag |= {"N": 0, "E": termios.PARENB, "O": termios.PARENB | termios.PARODD}[setting.parity]
    cflag |= termios.CSTOPB if setting.stops == 2 else 0
    return now._replace(iflag=iflag, cflag=cflag, ispeed=setting.baud, ospeed=setting.baud)


def _is_set(found: _Termios2, setting: Setting, pty: bool) -> bool:
    wanted = _wanted(found, setting, False, pty).cflag
    kept = termios.CSTOPB if pty else termios.CSTOPB | termios.CSIZE | termios.PARENB | termios.PARODD
    return abs(found.ospeed - setting.baud) <= _BAUD_OFF_MOST * setting.baud and not (found.cflag ^ wanted) & kept


def _get(descriptor: int) -> _Termios2:
    return _Termios2(*_LAYOUT.unpack(fcntl.ioctl(descriptor, TCGETS2, bytes(_LAYOUT.size))))


def _set(descriptor: int, wanted: _Termios2) -> None:
    fcntl.ioctl(descriptor, TCSETS2, _LAYOUT.pack(*wanted))
