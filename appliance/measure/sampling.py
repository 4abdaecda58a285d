"""A UART in brief, for many thousands of characters of sample text: what a listener at one setting makes of a line.

The line is given as one level for each of the sender's bit times. From the edge of a start bit the listener looks at
fixed places further on; so a character costs one leap to the next edge, one pick of those places and one look-up of
what they mean. As in the full model (see simulate.uart), the start edge is seen up to a 16th of the listener's bit
late, each bit is the majority of samples 7, 8 and 9 of its 16, only the first stop bit counts, and the next start bit
needs the line to have been high again.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from operator import itemgetter

from appliance.sentence.setting import Setting

FLAWED = 256
"""Added to a byte heard with a framing or parity error."""

_OVERSAMPLING = 16
_MAJORITY = (7, 8, 9)
_MIDDLE = (8,)
"""Enough where the sender's bits are no shorter than half the listener's: the three nearly always agree."""
_LATE = (0.125, 0.625, 0.375, 0.875)
"""By how much of a sample a start edge is seen late, in turn: by chance on a real line."""
_EDGE = b"\1\0"
_FALSE_START = -1
_WORDS_MOST = 4096
"""Kinds of picked levels whose meaning is kept, of each format: 1 MB. Our choice."""


def drawn(data: bytes, setting: Setting, rest_bits: int) -> bytes:
    """A burst as levels, one for each of the sender's bits, and a rest of so many before it."""
    characters = _characters(*setting.format)
    return bytes((1,)) * rest_bits + b"".join([characters[byte] for byte in data])


def turned(levels: bytes) -> bytes:
    """The line with its polarity inverted."""
    return levels.translate(b"\1\0" + bytes(254))


def heard(levels: bytes, bits: float, setting: Setting) -> list[int]:
    """The bytes that a listener hears, those with an error with FLAWED added. bits: the sender's to one of his own."""
    step = bits / _OVERSAMPLING
    if step > 1:  # what is shorter than a sample may not be seen at all
        levels, bits = bytes([levels[int(place * step)] for place in range(int(len(levels) / step))]), _OVERSAMPLING
    length = _length(setting.bits, setting.parity)
    taps = _MIDDLE if bits <= 2 else _MAJORITY
    picks = [_pick(length, taps, late, bits) for late in _LATE]
    words = _words(setting.bits, setting.parity)
    span = int(length * bits) + 1
    stop, middle = (length - 0.5) * bits, 0.5 * bits
    levels += bytes((1,)) * (span + 1)
    found: list[int] = []
    at = 0
    while (at := levels.find(_EDGE, at) + 1) > 0:
        word = words[picks[len(found) & 3](levels[at : at + span])]
        if word == _FALSE_START:
            at = int(at + middle)
        else:
            found.append(word)
            at = int(at + stop)
    return found


class _Words(dict[tuple[int, ...], int]):
    """What the picked levels mean, by the levels: one or three of each bit, start bit first.

    Those of all candidates would take 10 MB for each listener; of one, some hundreds come again and again.
    """

    def __init__(self, bits: int, parity: str) -> None:
        self._bits, self._parity = bits, parity
        self._length = _length(bits, parity)

    def __missing__(self, picked: tuple[int, ...]) -> int:
        if len(picked) > self._length:
            word = self[tuple([(a + b + c) >> 1 for a, b, c in zip(*[iter(picked)] * 3, strict=True)])]
        else:
            word = self._word(*picked)
        if len(self) >= _WORDS_MOST:
            self.clear()
        self[picked] = word
        return word

    def _word(self, start: int, *rest: int) -> int:
        if start:
            return _FALSE_START
        byte = sum(bit << place for place, bit in enumerate(rest[: self._bits]))
        wrong = self._parity != "N" and sum(rest[:-1]) & 1 != (self._parity == "O")
        return byte + FLAWED * (wrong or not rest[-1])


@cache
def _words(bits: int, parity: str) -> _Words:
    return _Words(bits, parity)


def _length(bits: int, parity: str) -> int:
    """Bits of a character up to the first stop bit."""
    return 1 + bits + (parity != "N") + 1


def _pick(length: int, taps: tuple[int, ...], late: float, bits: float) -> Callable[[bytes], tuple[int, ...]]:
    places = [int((bit + (tap + late) / _OVERSAMPLING) * bits) for bit in range(length) for tap in taps]
    return itemgetter(*places)


@cache
def _characters(bits: int, parity: str, stops: int) -> list[bytes]:
    """Each byte as its levels: start bit, data with the lowest bit first, parity, stop bits."""
    characters = []
    for byte in range(256):
        data = [byte >> place & 1 for place in range(bits)]
        check = {"N": [], "E": [sum(data) & 1], "O": [sum(data) & 1 ^ 1]}[parity]
        characters.append(bytes([0, *data, *check, *[1] * stops]))
    return characters
