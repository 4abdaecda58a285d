"""The record of a card's writes, and what a power cut may leave of them.

Format: Linux, Documentation/admin-guide/device-mapper/log-writes.rst, as QEMU's blklogwrites writes it: a superblock
of one sector, then entries, each a sector of head and the data. A write that the card has acknowledged is on it for
sure only after a flush; till then a cut may leave any of the writes since, or none.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import BinaryIO

SECTOR = 512
MAGIC = 0x6A736677736872
_FLUSH, _FUA, _DISCARD = 1, 2, 4
_HEAD = struct.Struct("<QQQQ")


@dataclass(frozen=True)
class Write:
    """sectors written from `sector` on; at: where their data lies in the record; through: not held back in a cache."""

    sector: int
    sectors: int
    at: int
    through: bool = False

    @property
    def end(self) -> int:
        """Where the record had come to with it."""
        return self.at + self.sectors * SECTOR


@dataclass(frozen=True)
class Flush:
    """All writes before it are on the card."""

    end: int


def read_log(path: Path) -> Iterator[Write | Flush]:
    """All that is recorded, in order; an entry cut short at the end is left out. Discards are no writes."""
    size = path.stat().st_size
    with path.open("rb") as log:
        if size < SECTOR or struct.unpack("<Q", log.read(8))[0] != MAGIC:
            raise ValueError(f"{path} is no record of writes")
        at = SECTOR
        while at + SECTOR <= size:
            log.seek(at)
            sector, sectors, flags, _ = _HEAD.unpack(log.read(_HEAD.size))
            at += SECTOR
            if flags & _FLUSH:
                yield Flush(at)
            if flags & _DISCARD:
                continue
            if at + sectors * SECTOR > size:
                return
            if sectors:
                yield Write(sector, sectors, at, bool(flags & _FUA))
            elif not flags:
                return
            at += sectors * SECTOR


class Card:
    """A card, as a file, to which the record is played write by write. flushes: whether the card keeps to them."""

    def __init__(self, disk: Path, log: Path, *, flushes: bool = True) -> None:
        self._disk: BinaryIO = disk.open("r+b")
        self._log: BinaryIO = log.open("rb")
        self._flushes = flushes
        self._held: list[Write] = []
        self.end = SECTOR

    def take(self, one: Write | Flush, held_most: int) -> None:
        """The next of the record. Without flushes the oldest reach the card once held_most are held back."""
        if isinstance(one, Write):
            self._held.append(one)
            if self._flushes and one.through:
                self._put(one)
        elif self._flushes:
            self._empty(0)
        if not self._flushes:
            self._empty(held_most)
        self.end = one.end

    def _empty(self, to: int) -> None:
        while len(self._held) > to:
            self._put(self._held.pop(0))

    def _put(self, one: Write) -> None:
        self._log.seek(one.at)
        self._disk.seek(one.sector * SECTOR)
        self._disk.write(self._log.read(one.sectors * SECTOR))

    def left_by_a_cut(self, dice: Random) -> list[tuple[int, bytes]]:
        """(byte, data) of the writes held back that a cut just now happens to leave: a share of them, any of them."""
        share = dice.choice((0.0, 0.5, 0.9, 1.0))
        left = []
        for one in self._held:
            if dice.random() < share:
                self._log.seek(one.at)
                left.append((one.sector * SECTOR, self._log.read(one.sectors * SECTOR)))
        self._disk.flush()
        return left

    def close(self) -> None:
        self._disk.close()
        self._log.close()
