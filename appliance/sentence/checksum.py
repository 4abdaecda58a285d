"""The checksum of a sentence: the XOR of every character between `$` and `*` (IEC 61162-1 / NMEA 0183)."""

from __future__ import annotations

_QUICK_MOST_BYTES = 128
_integer = int.from_bytes


def checksum(body: bytes) -> int:
    """XOR of all bytes of body, 0 to 255; 0 for none.

    Folds the bytes as one integer, half upon half, which is several times quicker than a loop over them.
    """
    folded = _integer(body, "little")
    if len(body) > _QUICK_MOST_BYTES:
        return _long(folded, len(body))
    if len(body) > _QUICK_MOST_BYTES // 2:
        folded ^= folded >> 512
    folded ^= folded >> 256
    folded ^= folded >> 128
    folded ^= folded >> 64
    folded = (folded ^ folded >> 32) & 0xFFFFFFFF  # from here on it is a small integer
    folded ^= folded >> 16
    return (folded ^ folded >> 8) & 0xFF


def _long(folded: int, size: int) -> int:
    width = 8
    while width < 8 * size:
        width *= 2
    while width > 8:
        width //= 2
        folded ^= folded >> width
    return folded & 0xFF
