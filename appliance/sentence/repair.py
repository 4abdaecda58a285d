"""What a damaged sentence would be with one bit turned back, where that can be told.

The checksum is the XOR of all characters (IEC 61162-1 / NMEA 0183), so one turned bit is off in the same bit of the
sum: that leaves one candidate for each character. Grammar refuses most of them. Of those that are left, a whole
sentence of the same address beside it leaves such as stand where the two differ, since what is damaged seldom comes
out like its neighbour. The one left is taken if it makes that place alike again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from appliance.sentence.checksum import checksum
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Sentence, parse

_TAIL = 5
"""`*`, two digits, CR, LF."""
_SHORTEST = 12


class Repair(NamedTuple):
    """meant: the whole sentence as it would be; the byte at this place had this bit (0 to 7) turned."""

    meant: bytes
    at: int
    bit: int


def one_bit(raw: bytes, beside: Sequence[bytes] = ()) -> Repair | None:
    """The one turned bit that explains a damaged sentence; None where there is none, or more than one might be.

    beside: whole sentences that came before and after it.
    """
    if len(raw) < _SHORTEST:
        return None
    found = [one for one in _candidates(raw) if _whole(one.meant)]
    if len(found) > 1:
        told = {_by(other, raw, found) for other in beside if len(other) == len(raw)} - {None}
        return told.pop() if len(told) == 1 else None
    return found[0] if found else None


def _candidates(raw: bytes) -> Iterator[Repair]:
    """All with one bit turned whose checksum is right."""
    body, tail = raw[1:-_TAIL], raw[-_TAIL:]
    for number in range(_TAIL * 8):
        turned = _turned(raw, len(raw) - _TAIL + number // 8, number % 8)
        if turned.meant[-_TAIL:] == b"*%02X\r\n" % checksum(body):
            yield turned
    if raw[:1] not in b"$!":
        yield from (one for one in (_turned(raw, 0, bit) for bit in range(8)) if one.meant[:1] in b"$!")
    if tail[:1] == b"*" and tail[3:] == b"\r\n" and (off := _off(body, tail[1:3])) is not None:
        yield from (_turned(raw, at, off) for at in range(1, len(raw) - _TAIL))


def _off(body: bytes, sent: bytes) -> int | None:
    """Which one bit of the sum is off."""
    try:
        difference = checksum(body) ^ int(sent, 16)
    except ValueError:
        return None
    return difference.bit_length() - 1 if difference.bit_count() == 1 else None


def _turned(raw: bytes, at: int, bit: int) -> Repair:
    meant = bytearray(raw)
    meant[at] ^= 1 << bit
    return Repair(bytes(meant), at, bit)


def _whole(raw: bytes) -> bool:
    return raw[:1] in (b"$", b"!") and raw.find(b"$", 1) < 0 and isinstance(parse(Frame(raw, 0, 0)), Sentence)


def _by(other: bytes, raw: bytes, found: Sequence[Repair]) -> Repair | None:
    """The candidate that this sentence beside it tells."""
    unlike = [one for one in found if one.meant[1:6] == other[1:6] and raw[one.at] != other[one.at]]
    return unlike[0] if len(unlike) == 1 and unlike[0].meant[unlike[0].at] == other[unlike[0].at] else None
