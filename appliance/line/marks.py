"""The kernel's marks in the stream of a port: which bytes came damaged, without losing the bytes.

With PARMRK and INPCK set and IGNPAR clear (termios(3)) a port hands over, in place of

    a byte with a framing or parity error    FF 00 and the byte as received
    a break                                  FF 00 00
    a good byte FF                           FF FF

PARMRK alone does nothing: without INPCK the kernel hands flawed bytes on as if they were good. A mark is three bytes
to read but one on the wire, so it is the decoded bytes that are to be dated.
"""

from __future__ import annotations

from typing import NamedTuple

_MARK = 0xFF


class Unmarked(NamedTuple):
    """What was on the wire. flawed: indices into data of bytes with a framing or parity error, or that are a break."""

    data: bytes
    flawed: tuple[int, ...]


class Marks:
    """Takes the marks out of one port's stream, read by read. A mark cut by the end of a read is kept for the next."""

    def __init__(self) -> None:
        self._kept = b""

    def decode(self, read: bytes) -> Unmarked:
        """The bytes that are complete with this read, in order; none where it ended within a mark."""
        stream = self._kept + read
        self._kept = b""
        if _MARK not in stream:
            return Unmarked(stream, ())
        data = bytearray()
        flawed: list[int] = []
        at = 0
        while (mark := stream.find(_MARK, at)) >= 0:
            data += stream[at:mark]
            rest = stream[mark : mark + 3]
            if len(rest) == 1 or (rest[1] == 0 and len(rest) == 2):
                self._kept = rest
                return Unmarked(bytes(data), tuple(flawed))
            if rest[1] == 0:
                flawed.append(len(data))
                data.append(rest[2])
                at = mark + 3
            else:  # FF FF; or FF and another byte, which the kernel never writes: then both are taken as they are
                data.append(_MARK)
                at = mark + (2 if rest[1] == _MARK else 1)
        data += stream[at:]
        return Unmarked(bytes(data), tuple(flawed))
