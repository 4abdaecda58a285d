"""The wire: bursts become bytes in time, no faster than the baud allows.

At 8N1 a byte takes ten bit times. A burst begins when it is due or when the wire is free, whichever is later, so a
line that is asked for more than it can carry falls behind, as a real one does. A piece is due when the stop bit of
its last byte ends: a player that writes it then never shows a byte before its time.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import NamedTuple

from appliance.sentence.chunk import Chunk

from .receiver import Burst

BITS_PER_BYTE = 10  # start, eight data, stop
PIECE_BYTES = 16
PIECE_S = 0.004


class Piece(NamedTuple):
    """Bytes to write at once. due_s: when the last of them has ended on the wire."""

    due_s: float
    data: bytes


def pieces(
    bursts: Iterable[Burst], baud: int, *, most_bytes: int = PIECE_BYTES, most_s: float = PIECE_S
) -> Iterator[Piece]:
    """Cut bursts into timed small writes: at most most_bytes and most_s of wire time each, but at least a byte."""
    for begin_s, data in _cut(bursts, baud, most_bytes, most_s):
        yield Piece(float(begin_s + Fraction(len(data) * BITS_PER_BYTE, baud)), data)


def chunks(
    bursts: Iterable[Burst],
    baud: int,
    *,
    origin_ns: int = 0,
    most_bytes: int = PIECE_BYTES,
    most_s: float = PIECE_S,
) -> Iterator[Chunk]:
    """The same bytes as `pieces`, as chunks with their true byte times; origin_ns is the time of second 0."""
    byte_s = Fraction(BITS_PER_BYTE, baud)
    step_ns = round(byte_s * 1_000_000_000)
    for begin_s, data in _cut(bursts, baud, most_bytes, most_s):
        yield Chunk(data, origin_ns + round((begin_s + byte_s) * 1_000_000_000), step_ns)


def _cut(bursts: Iterable[Burst], baud: int, most_bytes: int, most_s: float) -> Iterator[tuple[Fraction, bytes]]:
    """Each piece with the time at which its first bit begins; exact, so that nothing adds up over a day."""
    if baud <= 0 or most_bytes < 1:
        raise ValueError(f"baud {baud} and most_bytes {most_bytes} must be positive")
    byte_s = Fraction(BITS_PER_BYTE, baud)
    size = max(1, min(most_bytes, int(most_s / byte_s)))
    free_s = Fraction(0)
    for due_s, data in bursts:
        free_s = max(free_s, Fraction(round(due_s * 1_000_000_000), 1_000_000_000))
        for at in range(0, len(data), size):
            piece = data[at : at + size]
            yield free_s, piece
            free_s += len(piece) * byte_s
