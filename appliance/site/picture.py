"""What the listening part shows as it leaves it on tmpfs, the live picture and the wiggle test, and how to tell a live
one from one left behind.

The file's time and the clock of this process jump together when the box sets its clock, except for the one picture
written before the jump. So a picture counts as left behind only if its time is off *and* no new one came of late.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

OLD_AFTER_S = 3.0
"""A picture older than this means that nobody writes it any more; it is replaced at least once a second. Our choice."""

KEPT_UP_S = 1.0
"""Looks further apart than this cannot tell when a change came. Our choice."""

FORMAT = 1


@dataclass(slots=True, frozen=True)
class Sight:
    """One look at the picture. picture: None where the box is not listening, and `says` then tells why.

    raw: the file as it is. mtime_ns: 0 where there is no file. held: what can be read in it, live or left behind.
    """

    mtime_ns: int
    raw: bytes
    picture: dict[str, Any] | None
    says: str
    held: dict[str, Any] | None = None


class PictureFile:
    """Reads a picture when it changed: one for each file, for all who watch it. Safe for several threads.

    old_after_s: one older than this is no longer live.
    """

    def __init__(
        self,
        path: Path,
        old_after_s: float = OLD_AFTER_S,
        *,
        wall: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._path = path
        self._old_after_s = old_after_s
        self._wall = wall
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._read = Sight(0, b"", None, "")
        self._looked_s = float("-inf")
        self._changed_s = float("-inf")

    def look(self) -> Sight:
        """The picture as it is now; never raises for what the file holds or lacks."""
        with self._lock:
            return self._look()

    def _look(self) -> Sight:
        now_s = self._monotonic()
        kept_up = now_s - self._looked_s <= KEPT_UP_S
        self._looked_s = now_s
        try:
            mtime_ns = self._path.stat().st_mtime_ns
            if mtime_ns != self._read.mtime_ns:
                self._read = _sight(mtime_ns, self._path.read_bytes())
                self._changed_s = now_s if kept_up else float("-inf")
        except OSError:
            self._read = Sight(0, b"", None, "")
            return Sight(0, b"", None, "The listening part of the box has not started, or has stopped.")
        age_s = abs(self._wall() - mtime_ns / 1e9)
        if age_s > self._old_after_s and now_s - self._changed_s > KEPT_UP_S:
            says = "The listening part of the box has stopped. Nothing is heard from the line."
            return replace(self._read, picture=None, says=says)
        return self._read


def _sight(mtime_ns: int, raw: bytes) -> Sight:
    try:
        picture = json.loads(raw)
    except ValueError:
        picture = None
    if not isinstance(picture, dict) or picture.get("format") != FORMAT:
        says = "The listening part and this page do not understand each other. Restart the box."
        return Sight(mtime_ns, raw, None, says)
    return Sight(mtime_ns, raw, picture, "", picture)
