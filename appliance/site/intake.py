"""An update comes in piece by piece, each a request of its own.

So no request is longer or larger than any other of this box, a phone that loses touch goes on where it was, and what
came lies on the disk and never in memory. Only what is whole takes the name that the box's unit looks for.
"""

from __future__ import annotations

import os
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from appliance import wishes

PIECE_BYTES = 12 * 1024
"""With the form around it, less than any request may have."""
FREE_LEAST = 200_000_000
"""Left free on the card, for history and for what is unpacked. Our choice."""
TAKES_MOST_S = 3600.0
SILENT_MOST_S = 120.0
"""An update that takes longer, or of which nothing comes for so long, is let go. Our choice: a phone that was carried
out of reach and back."""


class NotTaken(Exception):
    """A piece or a whole was not taken in; the text says why, in plain words."""


@dataclass(slots=True)
class _Coming:
    """size, at: bytes in all and so far. began_s, heard_s: on the monotonic clock."""

    ticket: str
    path: Path
    size: int
    at: int
    began_s: float
    heard_s: float


class Intake:
    """One update at a time. Safe for several threads. folder: where the box's unit looks."""

    def __init__(self, folder: Path, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._folder = folder
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._coming: _Coming | None = None

    def begin(self, size: int) -> str:
        """A ticket for an update of so many bytes. Raises NotTaken, OSError."""
        with self._lock:
            self._let_go_late()
            if self._coming:
                raise NotTaken(
                    "An update is coming in already. Wait until it is over, or two minutes if it was broken off."
                )
            if not 0 < size <= wishes.BUNDLE_MOST_BYTES:
                most = wishes.BUNDLE_MOST_BYTES // 1_000_000
                raise NotTaken(f"An update has between 1 byte and {most} MB. This is another file.")
            disk = os.statvfs(self._folder)
            if disk.f_bavail * disk.f_frsize < size + FREE_LEAST:
                raise NotTaken(
                    "There is not enough room on the card. Take away what you need, erase a watch, and try again."
                )
            wishes.clear_incoming(self._folder)  # of a process before this one
            ticket, now_s = secrets.token_hex(8), self._monotonic()
            path = self._folder / f"{wishes.INCOMING}{ticket}"
            os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
            self._coming = _Coming(ticket, path, size, 0, now_s, now_s)
            return ticket

    def add(self, ticket: str, at: int, piece: bytes) -> tuple[int, bool]:
        """How many bytes are in, and whether that is all. A piece that is in already, or not due yet, changes nothing.

        Raises NotTaken; OSError where the disk fails, and then all that came is let go.
        """
        with self._lock:
            self._let_go_late()
            coming = self._coming
            if coming is None or not secrets.compare_digest(coming.ticket.encode(), ticket.encode()):
                raise NotTaken("Nothing is known of this update: it took too long, or is over. Choose it anew.")
            coming.heard_s = self._monotonic()
            if at == coming.at:
                if at + len(piece) > coming.size:
                    self._let_go()
                    raise NotTaken("More came than was told at first. Choose the file anew.")
                try:
                    self._write(coming, piece)
                except OSError:
                    self._let_go()
                    raise
            if coming.at < coming.size:
                return coming.at, False
            self._coming = None
            coming.path.replace(self._folder / wishes.BUNDLE)
            return coming.at, True

    def _write(self, coming: _Coming, piece: bytes) -> None:
        with coming.path.open("ab") as file:
            file.write(piece)
            file.flush()
            if coming.at + len(piece) == coming.size:
                os.fsync(file.fileno())
        coming.at += len(piece)

    def _let_go_late(self) -> None:
        coming, now_s = self._coming, self._monotonic()
        if coming and (now_s - coming.began_s > TAKES_MOST_S or now_s - coming.heard_s > SILENT_MOST_S):
            self._let_go()

    def _let_go(self) -> None:
        if self._coming:
            self._coming.path.unlink(missing_ok=True)
            self._coming = None
