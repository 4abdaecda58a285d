"""The tail: what came since the last commit, in a file beside history that is written in place.

A commit touches five or six pages of SQLite and, below it, the file system's own journal: one every two seconds sends
seven to thirteen bytes to the card for each byte of the line (tests/endurance/card_wear.py). So raw traffic and
seconds go into history every two minutes, and what a cut of power must not cost stands here meanwhile. The file has its
whole size from the start, so that a flush changes nothing but what it writes, and is written in sectors, past the
cache where the file system lets us, so that it writes no more than it holds.

Records follow each other, each padded to whole sectors:

    24 bytes  magic, generation, number, watch, length of what follows, CRC-32 of the four numbers and what follows
    blocks    1 byte number of them; for each 1 byte line, 4 bytes length, and the block (blocks.py)
    seconds   deflated JSON: a list of rows

The generation is a number that history keeps (PRAGMA user_version) and each commit changes, in its transaction: so in
one step all that stands here is in history and no longer counts. A record counts if its generation is that of
history, its number follows on, and its sum is right.
"""

from __future__ import annotations

import errno
import json
import logging
import mmap
import os
import struct
import zlib
from collections.abc import Iterator
from dataclasses import astuple, dataclass, field
from pathlib import Path

from appliance.history import blocks
from appliance.history.rows import HistoryError, SecondRow
from appliance.history.schema import line_number
from appliance.sentence.chunk import Chunk

TAIL_BYTES = 128 * 1024  # four minutes of the usual set; more traffic than it takes brings the next commit forward
SECTOR = 512
_HEAD = struct.Struct(">4sIIIII")
_BLOCK = struct.Struct(">BI")
_MAGIC = b"LTL1"
_WORDS = (
    b'["from-controller","from-receiver","wait","no-go","go",null,0,0,0.0,{"GNGGA":5,"GNVTG":5,"GNRMC":1,"GNZDA":1}]'
)

log = logging.getLogger(__name__)


@dataclass(slots=True, frozen=True)
class Record:
    """What was secured at once: of which watch, its blocks as (line number, packed), and its seconds."""

    watch: int
    blocks: list[tuple[int, bytes]]
    seconds: list[SecondRow]


def beside(path: Path) -> Path:
    """Where the tail of the history at path lies."""
    return path.with_name(path.name + "-tail")


def read(path: Path, generation: int) -> list[Record]:
    """What the tail of the history at path holds beyond that generation, in the order received.

    One that cannot be read holds nothing, and the program's log says so: it must not keep the box from starting.
    """
    try:
        held = beside(path).read_bytes()
    except FileNotFoundError:
        return []
    except OSError as error:
        log.error("%s cannot be read, and up to two minutes before the cut with it: %s", beside(path), error)
        return []
    return list(_records(held, generation))


@dataclass(slots=True)
class Tail:
    """Collects what is handed over, and brings it onto the card when asked. One thread owns it; close it.

    usable: whether there is a file; without, nothing is secured.
    """

    path: Path
    usable: bool = False
    _chunks: dict[str, list[Chunk]] = field(default_factory=dict)
    _seconds: list[SecondRow] = field(default_factory=list)
    _size: int = 0
    _at: int = 0
    _number: int = 0
    _file: int = -1
    _aligned: mmap.mmap = field(default_factory=lambda: mmap.mmap(-1, TAIL_BYTES))

    def open(self) -> None:
        """Make the file if need be. OSError leaves it unusable, for want of room or rights; there is then no tail."""
        place = beside(self.path)
        if not place.exists() or place.stat().st_size != TAIL_BYTES:
            _made(place)
        self._file = _opened(place, os.O_DIRECT)
        self.usable = True

    def add_chunk(self, line: str, chunk: Chunk) -> None:
        self._chunks.setdefault(line, []).append(chunk)
        self._size += len(chunk.data)
        self._bound()

    def add_second(self, row: SecondRow) -> None:
        self._seconds.append(row)
        self._size += 100
        self._bound()

    def secure(self, watch: int, generation: int) -> bool:
        """Bring what was added onto the card; False where it does not fit, or nothing can be written here."""
        if not self.usable or self._at >= TAIL_BYTES:
            return False
        if not self._size:
            return True
        record = _packed(watch, generation, self._number, self._chunks, self._seconds)
        if self._at + len(record) > TAIL_BYTES:
            return False
        self._write(self._at, record)
        self._at += len(record)
        self._number += 1
        self._forget()
        return True

    def begin(self) -> None:
        """All that was added is in history, of a new generation; begin anew."""
        self._at = self._number = 0
        self._forget()

    def skip(self) -> None:
        """There is more to bring onto the card than was added here: secure nothing until all is in history."""
        self._at = TAIL_BYTES

    def wipe(self) -> None:
        """Overwrite all of it with zeros."""
        if not self.usable and beside(self.path).exists():
            self.open()
        if self.usable:
            self._write(0, bytes(TAIL_BYTES))
        self.begin()

    def close(self) -> None:
        if self._file >= 0:
            os.close(self._file)
        self._file, self.usable = -1, False
        self._aligned.close()

    def _bound(self) -> None:
        """What would never fit is not held twice in memory."""
        if self._size > 4 * TAIL_BYTES:
            self._forget()
            self.skip()

    def _forget(self) -> None:
        self._chunks.clear()
        self._seconds.clear()
        self._size = 0

    def _write(self, at: int, data: bytes) -> None:
        self._aligned[: len(data)] = data
        with memoryview(self._aligned) as whole, whole[: len(data)] as part:
            try:
                os.pwrite(self._file, part, at)
            except OSError as error:
                if error.errno != errno.EINVAL:
                    raise
                os.close(self._file)  # a file system that does not write past its cache, or not in such sectors
                self._file = _opened(beside(self.path), 0)
                os.pwrite(self._file, part, at)
        os.fdatasync(self._file)


def _made(place: Path) -> None:
    """The file in its whole size, with its name, on the card. What is left of a failure is no file at all."""
    try:
        file = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o666)
        try:
            if os.pwrite(file, bytes(TAIL_BYTES), 0) != TAIL_BYTES:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(file)
        finally:
            os.close(file)
        folder = os.open(place.parent, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError:
        place.unlink(missing_ok=True)
        raise


def _opened(place: Path, how: int) -> int:
    try:
        return os.open(place, os.O_WRONLY | os.O_CLOEXEC | how)
    except OSError as error:
        if not how or error.errno != errno.EINVAL:
            raise
    return _opened(place, 0)


def _packed(
    watch: int, generation: int, number: int, chunks: dict[str, list[Chunk]], seconds: list[SecondRow]
) -> bytes:
    found = [
        (line_number(line), blocks.encode(batch).packed)
        for line, mine in chunks.items()
        for batch in blocks.batches(mine)
    ]
    body = bytearray([len(found)])
    for line, block in found:
        body += _BLOCK.pack(line, len(block)) + block
    deflate = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS, zdict=_WORDS)
    rows = json.dumps([astuple(row) for row in seconds], separators=(",", ":"))
    body += deflate.compress(rows.encode()) + deflate.flush()
    head = _HEAD.pack(_MAGIC, generation, number, watch, len(body), _sum((generation, number, watch, len(body)), body))
    whole = head + body
    return whole + bytes(-len(whole) % SECTOR)


def _sum(numbers: tuple[int, int, int, int], body: bytes | bytearray) -> int:
    return zlib.crc32(body, zlib.crc32(struct.pack(">IIII", *numbers)))


def _records(held: bytes, generation: int) -> Iterator[Record]:
    at = expected = 0
    while at + _HEAD.size <= len(held):
        magic, of, number, watch, size, told = _HEAD.unpack_from(held, at)
        body = held[at + _HEAD.size : at + _HEAD.size + size]
        if magic != _MAGIC or (of, number) != (generation, expected) or len(body) != size:
            return
        if _sum((of, number, watch, size), body) != told:
            return  # torn by the cut: it was never told to be secure
        try:
            yield _unpacked(watch, body)
        except HistoryError as error:
            log.error("%s", error)
        at += -(-(_HEAD.size + size) // SECTOR) * SECTOR
        expected += 1


def _unpacked(watch: int, body: bytes) -> Record:
    """HistoryError: it is of a shape that this program does not know."""
    try:
        at, found = 1, []
        for _ in range(body[0]):
            line, size = _BLOCK.unpack_from(body, at)
            at += _BLOCK.size
            found.append((line, body[at : at + size]))
            at += size
        inflate = zlib.decompressobj(-zlib.MAX_WBITS, zdict=_WORDS)
        rows = json.loads(inflate.decompress(body[at:], blocks.INFLATED_MOST))
        return Record(watch, found, [SecondRow(*row) for row in rows])
    except (ValueError, TypeError, IndexError, struct.error, zlib.error) as error:
        raise HistoryError(f"a record of the tail cannot be read ({error})") from error
