"""The checksum of a sentence: the XOR of every character between `$` and `*` (IEC 61162-1 / NMEA 0183)."""

from __future__ import annotations


def checksum(body: bytes) -> int:
    """XOR of all bytes of body, 0 to 255; 0 for none.

    Folds the bytes as one integer, half upon half, which is several times quicker than a loop over them.
    """
    folded = int.from_bytes(body, "big")
    width = 8
    while width < 8 * len(body):
        width *= 2
    while width > 8:
        width //= 2
        folded ^= folded >> width
    return folded & 0xFF
