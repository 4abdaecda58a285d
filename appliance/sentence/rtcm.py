"""Knows an RTCM 3 message when it sees one: corrections that were sent out of the port for sentences.

A message is 0xD3, six zero bits, ten bits of length, so many bytes, and a CRC-24Q over all before it (RTCM 10403,
transport layer; polynomial 0x1864CFB, start 0, which the CRC catalogue lists as CRC-24/LTE-A, check 0xCDE703).
"""

from __future__ import annotations

_POLYNOMIAL = 0x1864CFB
_PREAMBLE = b"\xd3"
_HEADER, _SUM = 3, 3
_LENGTH_MOST = 1023


def _entry(byte: int) -> int:
    value = byte << 16
    for _ in range(8):
        value <<= 1
        if value & 0x1000000:
            value ^= _POLYNOMIAL
    return value


_TABLE = tuple(_entry(byte) for byte in range(256))


def crc24q(data: bytes) -> int:
    """The CRC-24Q of data, 0 to 0xFFFFFF."""
    value = 0
    for byte in data:
        value = (value << 8 & 0xFFFFFF) ^ _TABLE[value >> 16 ^ byte]
    return value


class RtcmScanner:
    """Feed it the bytes of a line in order; `count` is how many whole messages were among them. Memory is bounded."""

    def __init__(self) -> None:
        self.count = 0
        self._held = b""

    def feed(self, data: bytes) -> int:
        """The next bytes; how many messages ended in them."""
        if not self._held and _PREAMBLE not in data:
            return 0
        before = self.count
        held = self._held + data
        begin = 0
        while (begin := held.find(_PREAMBLE, begin)) >= 0 and begin + _HEADER <= len(held):
            length = int.from_bytes(held[begin + 1 : begin + 3], "big")
            end = begin + _HEADER + length + _SUM
            if length > _LENGTH_MOST:
                begin += 1
            elif end > len(held):
                break
            elif crc24q(held[begin : end - _SUM]) == int.from_bytes(held[end - _SUM : end], "big"):
                self.count += 1
                begin = end
            else:
                begin += 1
        self._held = held[begin:] if begin >= 0 else b""
        return self.count - before
