"""The bytes kept around a fault, as rows to read: each sentence or scrap with its time and what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from appliance.history.rows import Clip
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Damaged, parse

ROW_MOST_BYTES = 200
"""A scrap without an end is cut here."""

ROWS_MOST = 1500
"""Rows shown; a full line for ten seconds has about 600."""

_STARTS, _ENDS = (b"$", b"!"), (b"\n", b"\r")


@dataclass(slots=True, frozen=True)
class EvidenceRow:
    """at_s: time of the first byte from the start of the fault. says: "" for a good sentence."""

    at_s: float
    text: str
    says: str


def rows(clip: Clip, start_ns: int) -> Iterator[EvidenceRow]:
    """Every byte of the clip, in order. start_ns: when the fault began."""
    pieces = list(_cut(clip.chunks))
    for number, (raw, at_ns) in enumerate(pieces):
        says = _wrong(raw, at_ns)
        if says and number == 0 and raw[:1] not in _STARTS:
            says = "began before this excerpt"
        elif says and number == len(pieces) - 1 and raw[-1:] not in _ENDS:
            says = "goes on after this excerpt"
        yield EvidenceRow((at_ns - start_ns) / 1e9, _legible(raw), says)


def _cut(chunks: tuple[Chunk, ...]) -> Iterator[tuple[bytes, int]]:
    """Ends a row after LF, before `$`, and at ROW_MOST_BYTES."""
    row, row_ns = bytearray(), 0
    for chunk in chunks:
        for at, byte in enumerate(chunk.data):
            if row and (byte == 0x24 or len(row) >= ROW_MOST_BYTES):
                yield bytes(row), row_ns
                row.clear()
            if not row:
                row_ns = chunk.start_ns + at * chunk.step_ns
            row.append(byte)
            if byte == 0x0A:
                yield bytes(row), row_ns
                row.clear()
    if row:
        yield bytes(row), row_ns


def _legible(raw: bytes) -> str:
    """Printable ASCII as it is, all else as \\xNN; the CR LF of a usual end is left out."""
    body = raw.removesuffix(b"\r\n")
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}" for byte in body)


def _wrong(raw: bytes, at_ns: int) -> str:
    if not raw.strip(b"\r\n"):
        return ""
    if raw[:1] not in _STARTS:
        return "no start: a scrap, or its first bytes are lost"
    judged = parse(Frame(raw, at_ns, at_ns, "" if raw[-1:] in _ENDS else "cut-short"))
    return judged.says if isinstance(judged, Damaged) else ""
