"""Bytes of one line together with the time of each: what passes from the wire to the framer and to history.

The byte time is the instant at which a byte's stop bit ended on the wire. Within a chunk the times are evenly
spaced, which is how a UART sends; so two integers date every byte of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True, init=False)
class Chunk:
    """A run of bytes of one line.

    data: at least one byte. start_ns: byte time of data[0] on the monotonic clock. step_ns: from each byte to the
    next, at least 0; 0 where arrival was not measured. flawed: indices into data, rising, of the bytes that came with
    a framing or parity error or as a break; None where the port cannot tell. A piece cut from a chunk need not carry
    them, and history does not keep them: there they are None. end_ns: byte time of the last byte.

    Never changed once it is made; not frozen, since some are made a sentence, and that takes thrice as long.
    """

    data: bytes
    start_ns: int
    step_ns: int
    flawed: tuple[int, ...] | None = None
    end_ns: int = field(init=False, compare=False, repr=False)

    def __init__(self, data: bytes, start_ns: int, step_ns: int, flawed: tuple[int, ...] | None = None) -> None:
        self.data = data
        self.start_ns = start_ns
        self.step_ns = step_ns
        self.flawed = flawed
        self.end_ns = start_ns + (len(data) - 1) * step_ns
