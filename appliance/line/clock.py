"""Byte times: when each byte ended on the wire, worked out from when a read returned it.

A read says only that its last byte had ended by then. A UART sends bytes back to back, so each byte before it
ended one character time earlier (10 bits at 8N1), except where that would put a byte among those of the read
before: the wire carries one byte at a time. Then the bytes are spread evenly between the two reads.

Delay only ever adds, so the earliest arrivals are the true ones: where the bytes of a read would come as well if they
had followed those before back to back, and were only held back since, that is what is taken. Two things hold bytes:

    the port         a FIFO gives up a part-filled last lot only after some quiet, an adapter at its next poll. Any lot
                     may have been held for as long as it can be (hold_s), and the reader have woken as late as it
                     usually does (WAKE_S); so no shorter rest on the wire is seen
    the system       is late without bound. But a read of more bytes than the port gives at a time (lot_bytes) was
                     late for certain, and then a rest of up to LATE_MOST_S before it is not seen either

So a time is wrong by no more than hold_s and WAKE_S early, or hold_s and the reader's delay late; after a read that
was late for certain, by no more than hold_s and LATE_MOST_S early, and that only if the sender rested in that very
time. The sender's own clock error adds to it: one per cent over a burst of 250 bytes at 38,400 is 0.65 ms. The last
byte of a port that holds nothing back, a pty, is dated by the read.

All this is causal: a time once given stands. Looking ahead at the reads that follow would add nothing, for a read
that is late takes all that has come: the reads after it tell of later bytes alone. Figures: tests/bench/byte_times.py.
"""

from __future__ import annotations

from appliance.sentence.chunk import Chunk

_SECOND_NS = 1_000_000_000
LATE_MOST_S = 0.05
"""Delay of the operating system that is made up for, where it is certain. Our choice; a busy Pi's, from memory."""
WAKE_S = 0.0005
"""How late a thread usually wakes on a box at ease, at most. Our choice, several times what is usual; from memory."""


class ByteClock:
    """Gives the bytes of each read of one line their times. Pure: time is an argument."""

    def __init__(self, baud: int, bits_per_byte: int = 10, hold_s: float = 0.0, lot_bytes: int = 0) -> None:
        """As retune, for the first setting."""
        self._floor_ns: int | None = None
        self.retune(baud, bits_per_byte, hold_s, lot_bytes)

    def retune(self, baud: int, bits_per_byte: int = 10, hold_s: float = 0.0, lot_bytes: int = 0) -> None:
        """Tell it that from now on the port listens at another setting.

        baud: bits per second. bits_per_byte: start, data, parity and stop bits; 10 at 8N1. hold_s: for how long the
        port may hold a byte back. lot_bytes: how many the port gives at a time at most; 0: not known.
        """
        if baud <= 0 or bits_per_byte <= 0:
            raise ValueError(f"A line needs a baud and bits for each byte, not {baud} and {bits_per_byte}.")
        self.character_ns = max(1, round(bits_per_byte * _SECOND_NS / baud))
        self._hold_ns = round(hold_s * _SECOND_NS)
        self._lot_bytes = lot_bytes
        self._goes_on = False  # whether the floor is the time of a byte that the next may have followed

    def restart(self, opened_ns: int) -> None:
        """Tell it that the port was opened anew at opened_ns: nothing heard from now on ended before that."""
        self._floor_ns = opened_ns if self._floor_ns is None else max(opened_ns, self._floor_ns)
        self._goes_on = False

    def chunk(self, data: bytes, read_ns: int, flawed: tuple[int, ...] | None = None) -> Chunk:
        """The bytes of one read with their times.

        data: at least one byte, marks taken out. read_ns: taken right after the read returned. flawed: as in Chunk.
        No byte is later than read_ns, nor earlier than one step after the last byte of the read before.
        ValueError: no data, or a clock that ran backwards.
        """
        if not data:
            raise ValueError("A read without bytes has no times.")
        floor_ns, count = self._floor_ns, len(data)
        end_ns, step_ns = read_ns, self.character_ns
        if floor_ns is not None:
            if read_ns < floor_ns:
                raise ValueError(f"The clock ran backwards by {floor_ns - read_ns} ns.")
            back_to_back_ns = floor_ns + count * step_ns
            if self._goes_on and 0 <= read_ns - back_to_back_ns <= self._held_most_ns(count):
                end_ns = back_to_back_ns
            step_ns = min(step_ns, (end_ns - floor_ns) // count)
        self._floor_ns, self._goes_on = end_ns, True
        return Chunk(data, end_ns - (count - 1) * step_ns, step_ns, flawed)

    def _held_most_ns(self, count: int) -> int:
        if not self._hold_ns:
            return 0
        late_s = LATE_MOST_S if 0 < self._lot_bytes < count else WAKE_S
        return self._hold_ns + round(late_s * _SECOND_NS)
