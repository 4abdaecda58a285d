"""What a line said last, row by row: queries and commands explain why a receiver's output changed."""

from __future__ import annotations

from collections import deque
from typing import Any

from appliance.plain import rounded, utc_text
from appliance.sentence.chunk import Chunk

ROWS_MOST = 12
ROW_MOST_BYTES = 120
"""What has no end is cut here; a sentence has 82 characters at most (IEC 61162-1)."""


class Said:
    """Feed it the chunks of a line. rows: (when the first byte came, in ns, text) of each, newest first."""

    def __init__(self) -> None:
        self.rows: deque[tuple[int, str]] = deque(maxlen=ROWS_MOST)
        self._row = bytearray()
        self._begun_ns = 0

    def feed(self, chunk: Chunk) -> None:
        """The next bytes."""
        for place, byte in enumerate(chunk.data):
            if byte in b"\r\n":
                self._end()
                continue
            if not self._row:
                self._begun_ns = chunk.start_ns + place * chunk.step_ns
            self._row.append(byte)
            if len(self._row) == ROW_MOST_BYTES:
                self._end()

    def shown(self, started_ns: int, utc_offset_ns: int) -> list[dict[str, Any]]:
        """The rows for the picture. started_ns: what at_s counts from. utc_offset_ns: UTC less monotonic."""
        return [
            {"at_s": rounded((at_ns - started_ns) / 1e9, 1), "at_utc": utc_text(at_ns + utc_offset_ns), "text": text}
            for at_ns, text in self.rows
        ]

    def _end(self) -> None:
        if self._row:
            self.rows.appendleft((self._begun_ns, _text(bytes(self._row))))
            self._row.clear()


def _text(row: bytes) -> str:
    """Printable ASCII as it is, all else by its number, so that binary can be seen as such."""
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}" for byte in row)
