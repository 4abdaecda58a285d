"""The kernel's own count of a port's troubles: framing errors, parity errors, breaks, and bytes it lost itself.

TIOCGICOUNT (Linux, include/uapi/linux/serial.h) counts since the driver came up. A pty has none, and some adapters'
drivers have none: then the counts are not available, which is told and never taken for zero.
"""

from __future__ import annotations

import fcntl
import struct

from appliance.sentence.counters import Counters

_TIOCGICOUNT = 0x545D
_LAYOUT = struct.Struct("11i9i")


def read(descriptor: int) -> Counters | None:
    """The counts of an open port; None where its driver has none."""
    try:
        packed = fcntl.ioctl(descriptor, _TIOCGICOUNT, bytes(_LAYOUT.size))
    except OSError:
        return None
    return unpack(packed)


def unpack(packed: bytes) -> Counters:
    """From the kernel's structure: cts, dsr, rng, dcd, rx, tx, frame, overrun, parity, brk, buf_overrun, reserved."""
    _, _, _, _, _, _, framing, overrun, parity, breaks, buffer_overrun, *_ = _LAYOUT.unpack(packed)
    return Counters(framing, parity, breaks, overrun, buffer_overrun)
