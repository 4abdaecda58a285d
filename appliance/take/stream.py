"""Small pieces gathered into pieces worth sending, a few at a time in memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

PIECE_BYTES = 32 * 1024


def gathered(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """The same bytes in pieces of about PIECE_BYTES."""
    held: list[bytes] = []
    size = 0
    for piece in pieces:
        held.append(piece)
        size += len(piece)
        if size >= PIECE_BYTES:
            yield b"".join(held)
            held, size = [], 0
    if held:
        yield b"".join(held)
