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


class Sentence:
    """A good frame.

    talker: two letters, "P" for a maker's own sentence. type: three characters; for a maker's own, the rest of the
    address. fields: all after the address, as sent. marks: departures that do no harm: "long" (over 82 characters),
    "end-odd" (not ended by CR LF), "sum-lower-case", "sum-missing" (only where no checksum was asked for).
    """

    __slots__ = ("_content", "fields", "frame", "marks", "talker", "type")

    def __init__(
        self, frame: Frame, talker: str, type_: str, fields: list[str], marks: tuple[str, ...]
    ) -> None:
        self.frame = frame
        self.talker = talker
        self.type = type_
        self.fields = fields
        self.marks = marks
        self._content: Content | None = None

    @property
    def content(self) -> Content | None:
        """What the fields say, made when first asked for; None for a type that is not understood."""
        if self._content is None and (make := MAKE.get(self.type)) and self.talker != "P":
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
    """Judges one frame. Never raises. checksum_required: whether a sentence without a checksum counts as damaged."""
    raw = frame.raw
    if frame.flaw:
        return Damaged(frame, frame.flaw)
    ended = raw.endswith(b"\r\n")
    row = raw[1:-2] if ended else raw[1:].rstrip(b"\r\n")
    if not row.isascii() or not (text := row.decode("ascii")).isprintable():
        return Damaged(frame, "alphabet-wrong", _first_unprintable(row))
    marks: tuple[str, ...] = ("long",) if len(raw) > STANDARD_MOST_CHARACTERS else ()
    if not ended:
        marks += ("end-odd",)
    if "*" not in text:
        if checksum_required:
            return Damaged(frame, "checksum-missing")
        marks += ("sum-missing",)
        body = text
    else:
        body, _, sent = text.rpartition("*")
        right = f"{checksum(row[: len(body)]):02X}"
        if sent != right:
            if sent.upper() != right:
                return Damaged(frame, "checksum-bad", f"sent {sent or 'nothing'}, should be {right}")
            marks += ("sum-lower-case",)
    return _read_fields(frame, body, marks)


def _read_fields(frame: Frame, body: str, marks: tuple[str, ...]) -> Sentence | Damaged:
    address, _, rest = body.partition(",")
    if not _ADDRESS.fullmatch(address):
        return Damaged(frame, "address-wrong", address[:20])
    fields = rest.split(",") if len(body) > len(address) else []
    if address[0] == "P":
        return Sentence(frame, "P", address[1:], fields, marks)
    type_ = address[2:]
    patterns = WHOLE.get(type_)
    if patterns is not None:
        pattern = patterns.get(len(fields))
        if pattern is None:
            allowed = " or ".join(map(str, LAYOUTS[type_].counts()))
            return Damaged(
                frame, "field-count-wrong", f"{type_} with {len(fields)} fields instead of {allowed}"
            )
        if not pattern.fullmatch(rest):
            field = first_wrong(type_, fields)
            if field is not None:
                found = fields[LAYOUTS[type_].expand(len(fields)).index(field)]
                return Damaged(frame, "field-wrong", f"{type_}: {field.name} is {found}")
    return Sentence(frame, address[:2], type_, fields, marks)


def _first_unprintable(row: bytes) -> str:
    found = next(byte for byte in row if not 0x20 <= byte <= 0x7E)
    return f"0x{found:02X}"
