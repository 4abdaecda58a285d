"""A quick way to tell that a sentence is good: by its shape.

The shape of a sentence is all of it before `*`, with each digit made 0. A stream has few shapes, seen again and
again. Once the full judgement has found a sentence good, another of its shape has the same alphabet, address, count
and widths of fields; all that can still be wrong is the value of a few digits: hours, minutes, degrees, days. So for
each shape we keep which slices to look up in which sets. A look-up that fails settles nothing: the sentence is then
judged in full. The number of shapes kept is bounded, so noise cannot grow the memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from appliance.sentence.grammar import DIGITS, LAYOUTS

SHAPES_MOST = 1024
"""Shapes kept; beyond it all are forgotten. A receiver in motion shows a few dozen. Our choice."""

TO_SHAPE = bytes(0x30 if 0x30 <= byte <= 0x39 else byte for byte in range(256))
"""For bytes.translate: each digit becomes 0."""

_ADDRESS_END = len("$GPGGA")

Lookups = tuple[tuple[slice, frozenset[bytes]], ...]


@dataclass(slots=True)
class Shape:
    """What all good sentences of one shape share. lookups: slices of the frame's bytes, and what each may hold."""

    talker: str
    type: str
    marks: tuple[str, ...]
    lookups: Lookups


class Shapes:
    """The shapes seen."""

    def __init__(self) -> None:
        self._known: dict[bytes, Shape] = {}
        self.find = self._known.get
        """Shape of `head.translate(TO_SHAPE)`, or None; head is the frame's bytes before `*`."""

    def __len__(self) -> int:
        return len(self._known)

    def learn(self, head: bytes, talker: str, type_: str, fields: list[str], marks: tuple[str, ...]) -> None:
        """Keeps the shape of a sentence that was found good."""
        address = head.partition(b",")[0]
        lookups = _lookups(type_, fields) if talker != "P" else ()
        if lookups is None or address.translate(TO_SHAPE) != address:
            return  # a shape that does not tell the type, or not enough of a field
        if len(self._known) >= SHAPES_MOST:
            self._known.clear()
        self._known[head.translate(TO_SHAPE)] = Shape(talker, type_, marks, lookups)


def _lookups(type_: str, fields: list[str]) -> Lookups | None:
    """The slices whose digits matter; None where a field's digits matter in a way that its table does not know."""
    if type_ not in LAYOUTS:
        return ()
    found: list[tuple[slice, frozenset[bytes]]] = []
    begin = _ADDRESS_END + 1
    for field, value in zip(LAYOUTS[type_].expand(len(fields)), fields, strict=True):
        if value and (digits := DIGITS.get(field.pattern)):
            leading = len(value) - len(value.lstrip("0123456789"))
            if leading not in digits:
                return None
            found += ((slice(begin + first, begin + last), allowed) for first, last, allowed in digits[leading])
        begin += len(value) + 1
    return tuple(found)
