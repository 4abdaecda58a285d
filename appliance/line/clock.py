"""Byte times: when each byte ended on the wire, worked out from when a read returned it.

A read says only that its last byte had ended by then. A UART sends bytes back to back, so each byte before it
ended one character time earlier (10 bits at 8N1), except where that would put a byte among those of the read
before: the wire carries one byte at a time. Then the bytes are spread evenly between the two reads.

What can be promised. The operating system only ever adds delay, so a byte time is never earlier than the truth
(but for the sender's own clock error: one per cent over a read of 32 bytes at 38,400 is 0.08 ms), and never later
than by the longest time any byte of the read, or of the read before, lay in the machine: the time for which a FIFO
or an adapter holds bytes back, and then the delay of the reader. A FIFO hands over a part-filled last lot 32 bit
times after its last byte (0.83 ms at 38,400), an adapter in low-latency mode each millisecond, without it each
16 ms. How full the FIFO runs before it interrupts adds nothing, though it delays the read itself by up to 8 ms.
A squeezed byte's error lies between the delays of the two reads it was squeezed between.
"""

from __future__ import annotations

from appliance.sentence.chunk import Chunk

_SECOND_NS = 1_000_000_000


class ByteClock:
    """Gives the bytes of each read of one line their times. Pure: time is an argument."""

    def __init__(self, baud: int, bits_per_byte: int = 10) -> None:
        """baud: bits per second. bits_per_byte: start, data, parity and stop bits; 10 at 8N1."""
        self._floor_ns: int | None = None
        self.retune(baud, bits_per_byte)

    def retune(self, baud: int, bits_per_byte: int) -> None:
        """Tell it that from now on the port listens at another setting."""
        if baud <= 0 or bits_per_byte <= 0:
            raise ValueError(f"A line needs a baud and bits for each byte, not {baud} and {bits_per_byte}.")
        self.character_ns = max(1, round(bits_per_byte * _SECOND_NS / baud))

    def restart(self, opened_ns: int) -> None:
        """Tell it that the port was opened anew at opened_ns: nothing heard from now on ended before that."""
        self._floor_ns = opened_ns if self._floor_ns is None else max(opened_ns, self._floor_ns)

    def chunk(self, data: bytes, read_ns: int, flawed: tuple[int, ...] | None = None) -> Chunk:
        """The bytes of one read with their times.

        data: at least one byte, marks taken out. read_ns: taken right after the read returned. flawed: as in Chunk.
        The last byte's time is read_ns; no byte is earlier than one step after the last byte of the read before.
        ValueError: no data, or a clock that ran backwards.
        """
        if not data:
            raise ValueError("A read without bytes has no times.")
        floor_ns = self._floor_ns
        step_ns = self.character_ns
        if floor_ns is not None:
            if read_ns < floor_ns:
                raise ValueError(f"The clock ran backwards by {floor_ns - read_ns} ns.")
            step_ns = min(step_ns, (read_ns - floor_ns) // len(data))
        self._floor_ns = read_ns
        return Chunk(data, read_ns - (len(data) - 1) * step_ns, step_ns, flawed)
