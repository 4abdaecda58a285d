"""Chunks packed into compressed blocks, and back: the same bytes, each dated to within half a millisecond.

A UART sends evenly, so a burst of sentences that arrived as many small chunks is one run: a start, a step and a
number of bytes. Only where the times stop following on, or the step changes, does a new run begin. The bytes of
all runs stand together behind the table of runs and are deflated with a preset dictionary of typical sentences:
a block of two seconds is too short to learn the language of the line by itself (measured on an invented feed of
820 bytes/s: 15 % fewer bytes; leaving the table out of the deflate and Z_FILTERED gave 4 % of these).

Layout, version 1:

    1 byte    version; it also names the dictionary, so an old block stays readable
    4 bytes   CRC-32 (zlib.crc32) of the table and the inflated bytes, big-endian
    table     varint number of runs; for each run three varints
    rest      raw deflate of the bytes of all runs

The varints of a run: gap, step, size. gap is the start in TICK_NS less the tick at which the run before would
have gone on (the first run: less 0), zigzag coded; step is step_ns less that of the run before, zigzag coded;
size is in bytes. Varints are little-endian base 128, as in LEB128.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from appliance.history.rows import HistoryError
from appliance.sentence.chunk import Chunk

VERSION = 1
TICK_NS = 50_000
JOIN_WITHIN_NS = 450_000  # with half a tick of rounding still below 0.5 ms
BLOCK_BYTES_MOST = 64 * 1024  # bounds what a reader must hold of a block
INFLATED_MOST = 4 * 1024 * 1024  # a sound block is far below this; a spoilt one shall not fill the memory
HEADER_BYTES = 5

# Invented sentences in the shape of the usual set; the likeliest stand last, where references are shortest.
_DICTIONARY_1 = (
    b"$GPHDT,90.00,T*0\r\n$GNGST,101112.00,0.30,0.36,0.26,139.7,0.26,0.36,0.68*\r\n"
    b"$GLGSV,3,2,12,$GAGSV,3,3,12,$GBGSV,2,1,08,$GPGSV,3,1,12,03,09,280,38,04,11,322,41,08,11,209,35,14,68,160,42*\r\n"
    b"$GPGSA,A,3,$GNGSA,A,3,03,04,08,14,16,26,27,29,31,,,,1.5,0.8,1.3*\r\n"
    b"$GPGLL,$GNGLL,5206.12345678,N,00117.12345678,W,101112.00,A,D*\r\n"
    b"$GPZDA,101112.00,04,05,2026,00,00*6\r\n$GPRMC,101112.00,A,5206.1234,N,00117.1234,E,0.02,147.4,040526,,,A*\r\n"
    b"$GPVTG,147.44,T,,M,0.02,N,0.04,K,A*2\r\n$GPGGA,101112.00,5206.1234,N,00117.1234,E,1,08,1.0,103.2,M,47.8,M,,*7\r\n"
    b"$GNGGA,101111.80,5206.98765432,N,00117.98765432,W,4,18,0.7,103.201,M,47.812,M,1.0,0121*4\r\n"
    b"$GNVTG,81.43,T,82.23,M,4.715,N,8.733,K,D*3\r\n"
    b"$GNRMC,101112.00,A,5206.30123456,N,00117.45678901,W,4.721,81.20,040526,0.8,W,R,V*5\r\n"
    b"$GNZDA,101112.00,04,05,2026,00,00*7\r\n"
    b"$GNGGA,101112.20,5206.30198765,N,00117.45623456,W,4,18,0.7,103.190,M,47.812,M,1.0,0000*5\r\n"
    b"$GNVTG,80.97,T,81.77,M,4.702,N,8.709,K,D*3\r\n"
)
_DICTIONARIES = {1: _DICTIONARY_1}


@dataclass(slots=True)
class _Run:
    """Bytes that follow on evenly: the first at start_ns, each step_ns after the one before."""

    start_ns: int
    step_ns: int
    size: int

    @property
    def next_ns(self) -> int:
        return self.start_ns + self.size * self.step_ns

    def takes(self, chunk: Chunk) -> bool:
        return chunk.step_ns == self.step_ns and abs(chunk.start_ns - self.next_ns) <= JOIN_WITHIN_NS


@dataclass(slots=True, frozen=True)
class Block:
    """An encoded block. packed: what to keep. size: bytes of the line in it. end_ns: last byte time, as decoded."""

    packed: bytes
    size: int
    end_ns: int


def encode(chunks: Iterable[Chunk]) -> Block:
    """One block of one line's chunks, in the order received; at least one, and bytes of at most INFLATED_MOST / 2."""
    runs: list[_Run] = []
    data = bytearray()
    for chunk in chunks:
        data += chunk.data
        if runs and runs[-1].takes(chunk):
            runs[-1].size += len(chunk.data)
        else:
            start_ns = (chunk.start_ns + TICK_NS // 2) // TICK_NS * TICK_NS
            runs.append(_Run(start_ns, chunk.step_ns, len(chunk.data)))
    table = _table(runs)
    checksum = zlib.crc32(data, zlib.crc32(table))
    deflate = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS, 9, zlib.Z_FILTERED, _DICTIONARIES[VERSION])
    packed = bytes([VERSION]) + checksum.to_bytes(4, "big") + table + deflate.compress(data) + deflate.flush()
    return Block(packed, len(data), max(run.next_ns - run.step_ns for run in runs))


def decode(packed: bytes) -> list[Chunk]:
    """The chunks of a block, one for each run. HistoryError where the block is spoilt or of an unknown version."""
    dictionary = _DICTIONARIES.get(packed[0]) if packed else None
    if dictionary is None:
        raise HistoryError(f"its version {packed[:1].hex() or '(none)'} is unknown to this program")
    runs, table_end = _runs(packed)
    data = _inflate(packed[table_end:], dictionary)
    if zlib.crc32(data, zlib.crc32(packed[HEADER_BYTES:table_end])) != int.from_bytes(packed[1:HEADER_BYTES], "big"):
        raise HistoryError("its checksum is wrong")
    if sum(run.size for run in runs) != len(data) or not all(run.size and run.step_ns >= 0 for run in runs):
        raise HistoryError("its table of runs is not that of its bytes")
    chunks, at = [], 0
    for run in runs:
        chunks.append(Chunk(data[at : at + run.size], run.start_ns, run.step_ns))
        at += run.size
    return chunks


def measured(packed: bytes) -> Block:
    """A block that was encoded before, with its size and end. HistoryError as decode."""
    chunks = decode(packed)
    return Block(packed, sum(len(chunk.data) for chunk in chunks), max(chunk.end_ns for chunk in chunks))


def batches(chunks: Iterable[Chunk]) -> Iterator[list[Chunk]]:
    """Groups of chunks, each fit for one block: at most BLOCK_BYTES_MOST bytes; a longer chunk is cut."""
    batch: list[Chunk] = []
    room = BLOCK_BYTES_MOST
    for chunk in chunks:
        for at in range(0, len(chunk.data), BLOCK_BYTES_MOST):
            piece = _piece(chunk, at, at + BLOCK_BYTES_MOST)
            if len(piece.data) > room:
                yield batch
                batch, room = [], BLOCK_BYTES_MOST
            batch.append(piece)
            room -= len(piece.data)
    if batch:
        yield batch


def cut(chunk: Chunk, from_ns: int | None, to_ns: int | None) -> Chunk | None:
    """The part of a chunk whose byte times lie from from_ns up to but not at to_ns; None if there is none."""
    begin, end = 0, len(chunk.data)
    if from_ns is not None and chunk.start_ns < from_ns:
        begin = -((chunk.start_ns - from_ns) // chunk.step_ns) if chunk.step_ns else end
    if to_ns is not None and chunk.end_ns >= to_ns:
        end = max(0, -((chunk.start_ns - to_ns) // chunk.step_ns)) if chunk.step_ns else 0
        end = end if chunk.start_ns < to_ns else 0
    if begin >= end:
        return None
    return chunk if (begin, end) == (0, len(chunk.data)) else _piece(chunk, begin, end)


def _piece(chunk: Chunk, begin: int, end: int) -> Chunk:
    return Chunk(chunk.data[begin:end], chunk.start_ns + begin * chunk.step_ns, chunk.step_ns)


def _inflate(deflated: bytes, dictionary: bytes) -> bytes:
    inflate = zlib.decompressobj(-zlib.MAX_WBITS, dictionary)
    try:
        data = inflate.decompress(deflated, INFLATED_MOST)
    except zlib.error as error:
        raise HistoryError(f"it cannot be inflated ({error})") from error
    if not inflate.eof or inflate.unused_data:
        raise HistoryError("it does not end where it should")
    return data


def _runs(packed: bytes) -> tuple[list[_Run], int]:
    """The table of runs of a block, and where it ends."""
    numbers = _Varints(packed, HEADER_BYTES)
    runs: list[_Run] = []
    tick, step_ns = 0, 0
    for _ in range(numbers.next()):
        tick += _signed(numbers.next())
        step_ns += _signed(numbers.next())
        runs.append(_Run(tick * TICK_NS, step_ns, numbers.next()))
        tick = runs[-1].next_ns // TICK_NS
    return runs, numbers.at


def _table(runs: list[_Run]) -> bytes:
    table = bytearray()
    _put(table, len(runs))
    tick, step_ns = 0, 0
    for run in runs:
        _put(table, _zigzag(run.start_ns // TICK_NS - tick))
        _put(table, _zigzag(run.step_ns - step_ns))
        _put(table, run.size)
        tick, step_ns = run.next_ns // TICK_NS, run.step_ns
    return bytes(table)


def _zigzag(number: int) -> int:
    """Small numbers of either sign become small numbers: 0, -1, 1, -2 give 0, 1, 2, 3."""
    return number * 2 if number >= 0 else -number * 2 - 1


def _signed(zigzag: int) -> int:
    return zigzag // 2 if zigzag % 2 == 0 else -(zigzag + 1) // 2


def _put(out: bytearray, number: int) -> None:
    while number > 0x7F:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    out.append(number)


class _Varints:
    """Reads varints one after the other; `at` is where the next one begins."""

    def __init__(self, data: bytes, at: int) -> None:
        self._data = data
        self.at = at

    def next(self) -> int:
        number, shift = 0, 0
        while self.at < len(self._data):
            byte = self._data[self.at]
            self.at += 1
            number |= (byte & 0x7F) << shift
            if byte < 0x80:
                return number
            shift += 7
        raise HistoryError("its table of runs is cut short")
