"""The bytes kept around a fault, as rows to read: each sentence or scrap with its time and what is wrong with it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

from appliance.history.rows import Clip
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Damaged, parse
from appliance.sentence.repair import Repair, one_bit

ROW_MOST_BYTES = 200
"""A scrap without an end is cut here."""

ROWS_MOST = 1500
"""Rows shown; a full line for ten seconds has about 600."""

_REPAIRS_MOST = 200
"""Damaged rows of which the turned bit is looked for: each takes some milliseconds on a Pi. Our choice."""

_STARTS, _ENDS = (b"$", b"!"), (b"\n", b"\r")


@dataclass(slots=True, frozen=True)
class EvidenceRow:
    """at_s: time of the first byte from the start of the fault. says: "" for a good sentence.

    text: as it came. Where one turned bit explains the damage, `parts` is the text before that character, it, and the
    text after it, and `meant` what it should be; else parts is empty.
    """

    at_s: float
    text: str
    says: str
    parts: tuple[str, str, str] | tuple[()] = ()
    meant: str = ""


def rows(clip: Clip, start_ns: int) -> Iterator[EvidenceRow]:
    """Every byte of the clip, in order, but at most ROWS_MOST rows. start_ns: when the fault began."""
    pieces = list(islice(_cut(clip.chunks), ROWS_MOST))
    wrong = [_wrong(raw, at_ns) for raw, at_ns in pieces]
    beside, repairs = _Beside(pieces, wrong), 0
    for number, ((raw, at_ns), says) in enumerate(zip(pieces, wrong, strict=True)):
        at_s = (at_ns - start_ns) / 1e9
        if says and number == 0 and raw[:1] not in _STARTS:
            yield EvidenceRow(at_s, _legible(raw), "began before this excerpt")
        elif says and number == len(pieces) - 1 and raw[-1:] not in _ENDS:
            yield EvidenceRow(at_s, _legible(raw), "goes on after this excerpt")
        else:
            repairs += bool(says)
            repair = one_bit(raw, beside.of(number)) if says and repairs <= _REPAIRS_MOST else None
            yield _row(at_s, raw, says, repair)


def _row(at_s: float, raw: bytes, says: str, repair: Repair | None) -> EvidenceRow:
    if repair is None:
        return EvidenceRow(at_s, _legible(raw), says)
    at, bit, meant = repair.at, repair.bit, repair.meant
    says = f"{says}; one turned bit explains it: bit {bit} of byte {at + 1}, 0x{raw[at]:02X} for 0x{meant[at]:02X}"
    body = len(raw.removesuffix(b"\r\n"))
    parts = _legible(raw[:at], whole=False), _legible(raw[at : at + 1], whole=False), _legible(raw[at + 1 : body])
    return EvidenceRow(at_s, _legible(raw), says, parts, _legible(meant))


class _Beside:
    """The whole sentences before and after each row, by address."""

    def __init__(self, pieces: Sequence[tuple[bytes, int]], wrong: Sequence[str]) -> None:
        self._by_address: defaultdict[bytes, list[tuple[int, bytes]]] = defaultdict(list)
        for number, ((raw, _), says) in enumerate(zip(pieces, wrong, strict=True)):
            if not says and raw[:1] in _STARTS:
                self._by_address[raw[1:6]].append((number, raw))

    def of(self, number: int) -> list[bytes]:
        """Of each address the last before and the first after a row."""
        found = []
        for kept in self._by_address.values():
            before = [raw for at, raw in kept if at < number][-1:]
            found += before + [raw for at, raw in kept if at > number][:1]
        return found


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


def _legible(raw: bytes, *, whole: bool = True) -> str:
    """Printable ASCII as it is, all else as \\xNN; the CR LF of a usual end is left out (whole)."""
    body = raw.removesuffix(b"\r\n") if whole else raw
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}" for byte in body)


def _wrong(raw: bytes, at_ns: int) -> str:
    if not raw.strip(b"\r\n"):
        return ""
    if raw[:1] not in _STARTS:
        return "no start: a scrap, or its first bytes are lost"
    judged = parse(Frame(raw, at_ns, at_ns, "" if raw[-1:] in _ENDS else "cut-short"))
    return judged.says if isinstance(judged, Damaged) else ""
