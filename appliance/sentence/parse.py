"""Tells a good frame from a damaged one, and why.

A sentence is a frame whose start, length, alphabet, checksum and fields are right. What departs from the standard
but does no harm is kept as a mark on it. Order of the questions: what is cut or garbled is said first, since it
explains the rest. Source: IEC 61162-1 / NMEA 0183; a byte of 0x80 or more is an error mark by itself (D7 = 0).
"""

from __future__ import annotations

import re

from appliance.sentence.checksum import checksum
from appliance.sentence.frame import Frame
from appliance.sentence.grammar import LAYOUTS, WHOLE, first_wrong
from appliance.sentence.shape import TO_SHAPE, Shapes
from appliance.sentence.types import MAKE, Content

STANDARD_MOST_CHARACTERS = 82
"""Longest sentence of the standard, from `$` to LF (IEC 61162-1 / NMEA 0183)."""

REASONS: dict[str, str] = {
    "cut-short": "its end is missing: the next sentence began before it was over",
    "overlong": "it never ended: no CR LF in a thousand bytes",
    "alphabet-wrong": "it holds a byte that is not printable ASCII",
    "checksum-missing": "it has no checksum",
    "checksum-bad": "its checksum does not match",
    "address-wrong": "its address is no talker and type",
    "field-count-wrong": "it has a number of fields that no version of the standard knows",
    "field-wrong": "a field holds what it cannot hold",
}
"""Every reason for which a frame is damaged, in words."""

_ADDRESS = re.compile(r"[A-Z]{2}[A-Z][A-Z0-9]{2}|P[A-Z0-9]+")
_LEGIBLE = re.compile(rb"[$!]([A-Z]{2})([A-Z]{3}),")


_ENDS = [b"*%02X\r\n" % n for n in range(256)]
"""Sum -> what follows the body of a sentence that keeps to the standard."""

_shapes = Shapes()


class Sentence:
    """A good frame.

    talker: two characters, "P" for a maker's own sentence. type: three characters; for a maker's own, the rest of
    the address. body: what the checksum is taken over. marks: departures that do no harm: "long" (over 82
    characters), "end-odd" (not ended by CR LF), "sum-lower-case", "sum-missing" (only where no checksum was asked
    for).
    """

    __slots__ = ("_content", "_fields", "body", "frame", "marks", "talker", "type")

    def __init__(self, frame: Frame, talker: str, type_: str, body: bytes, marks: tuple[str, ...]) -> None:
        self.frame = frame
        self.talker = talker
        self.type = type_
        self.body = body
        self.marks = marks
        self._content: Content | None = None
        self._fields: list[str] | None = None

    @property
    def fields(self) -> list[str]:
        """All after the address, as sent."""
        if self._fields is None:
            self._fields = self.body.decode("ascii").split(",")[1:]
        return self._fields

    @property
    def content(self) -> Content | None:
        """What the fields say, made when first asked for; None for a type that is not understood."""
        if self._content is None and self.talker != "P" and (make := MAKE.get(self.type)):
            self._content = make(self.fields)
        return self._content

    def __repr__(self) -> str:
        return f"Sentence({self.frame.raw!r})"


class Damaged:
    """A bad frame. reason: a key of REASONS. says: the same in plain words, with what was found.

    talker, type: as far as the frame's first characters can be read, else "".
    """

    __slots__ = ("frame", "reason", "says", "talker", "type")

    def __init__(self, frame: Frame, reason: str, found: str = "") -> None:
        legible = _LEGIBLE.match(frame.raw)
        self.frame = frame
        self.reason = reason
        self.says = f"{REASONS[reason]} ({found})" if found else REASONS[reason]
        self.talker = legible[1].decode() if legible else ""
        self.type = legible[2].decode() if legible else ""

    def __repr__(self) -> str:
        return f"Damaged({self.frame.raw!r}, {self.reason!r})"


def parse(frame: Frame, checksum_required: bool = True) -> Sentence | Damaged:
    """Judges one frame, as a Framer gives it: begun with `$` or `!`. Never raises.

    checksum_required: whether a sentence without a checksum counts as damaged.
    """
    if frame.flaw:
        return Damaged(frame, frame.flaw)
    raw = frame.raw
    body = raw[1:-5]
    if raw[-5:] == _ENDS[checksum(body)]:
        shape = _shapes.find(raw[:-5].translate(TO_SHAPE))
        if shape is not None:
            for part, allowed in shape.lookups:
                if raw[part] not in allowed:
                    break
            else:
                return Sentence(frame, shape.talker, shape.type, body, shape.marks)
    return _judge(frame, checksum_required)


def _judge(frame: Frame, checksum_required: bool) -> Sentence | Damaged:
    """Asks every question of a frame without a flaw, in the order of their importance."""
    raw = frame.raw
    row = raw[1:].rstrip(b"\r\n")
    if not row.isascii() or not row.decode("ascii").isprintable():
        return Damaged(frame, "alphabet-wrong", _first_unprintable(row))
    marks: tuple[str, ...] = ("long",) if len(raw) > STANDARD_MOST_CHARACTERS else ()
    if len(raw) != len(row) + 3 or not raw.endswith(b"\r\n"):
        marks += ("end-odd",)
    body, star, sent = row.partition(b"*")
    if not star:
        if checksum_required:
            return Damaged(frame, "checksum-missing")
        marks += ("sum-missing",)
    else:
        right = b"%02X" % checksum(body)
        if sent != right:
            if sent.upper() != right:
                said = _short(sent.decode("ascii")) or "nothing"
                return Damaged(frame, "checksum-bad", f"sent {said}, should be {right.decode()}")
            marks += ("sum-lower-case",)
    return _read_fields(frame, body, marks)


def _read_fields(frame: Frame, body: bytes, marks: tuple[str, ...]) -> Sentence | Damaged:
    address, *fields = body.decode("ascii").split(",")
    if not _ADDRESS.fullmatch(address):
        return Damaged(frame, "address-wrong", _short(address))
    own = address[0] == "P"
    talker, type_ = ("P", address[1:]) if own else (address[:2], address[2:])
    if not own and type_ in LAYOUTS:
        wrong = _wrong_fields(frame, type_, fields)
        if wrong is not None:
            return wrong
    sentence = Sentence(frame, talker, type_, body, marks)
    if frame.raw.endswith(_ENDS[checksum(body)]):
        _shapes.learn(frame.raw[:-5], talker, type_, fields, marks)
    return sentence


def _wrong_fields(frame: Frame, type_: str, fields: list[str]) -> Damaged | None:
    layout, patterns = LAYOUTS[type_], WHOLE[type_]
    if frame.raw[:1] != b"$":
        return Damaged(frame, "address-wrong", f"{type_} begun with !")
    if len(fields) not in patterns:
        allowed = " or ".join(map(str, layout.counts()))
        return Damaged(frame, "field-count-wrong", f"{type_} with {len(fields)} fields instead of {allowed}")
    if patterns[len(fields)].fullmatch(",".join(fields)):
        return None
    number = first_wrong(type_, fields)
    name = layout.expand(len(fields))[number].name
    return Damaged(frame, "field-wrong", f"{type_}: {name} is {_short(fields[number])}")


def _short(text: str) -> str:
    return text if len(text) <= 20 else text[:20] + "…"


def _first_unprintable(row: bytes) -> str:
    found = next(byte for byte in row if not 0x20 <= byte <= 0x7E)
    return f"0x{found:02X}"
