"""How a stream broke off: whether the last bytes before a silence tell of a line that went low and stayed there.

A UART that hears the line go low for good hears one character more and then nothing: a break, byte 0, where the line
rested before; else the rest of the character under way as zeros, its stop bit too. ASCII with its high bits turned to
zeros is a control character, or a line end where none belongs. Of three such characters in ten the zeros were theirs;
then only the mark of the low stop bit tells it.
"""

from __future__ import annotations

import re

from appliance.sentence.chunk import Chunk

_TAIL_BYTES = 6
_TEXT_ENDS = re.compile(rb"[ -~\t]\Z|\*[0-9A-Fa-f]{2}(?:\r|\r?\n)\Z|[^*]{3}\r?\n\Z")
"""Text that breaks off anywhere, or a sentence's end: behind its sum, or behind no sum at all."""


class Ending:
    """Feed it the chunks of one line. flawed: whether its last byte was marked so."""

    def __init__(self) -> None:
        self.tail = b""
        self.flawed = False
        self._before = False

    def add(self, chunk: Chunk) -> None:
        """The next bytes."""
        size = len(chunk.data)
        self.tail = chunk.data[-_TAIL_BYTES:] if size >= _TAIL_BYTES else (self.tail + chunk.data)[-_TAIL_BYTES:]
        marks = chunk.flawed or ()
        self._before = size - 2 in marks if size > 1 else self.flawed
        self.flawed = size - 1 in marks

    @property
    def broke(self) -> bool:
        """Whether the last byte was a break, or noise that looks like one."""
        return self.tail.endswith(b"\0")

    @property
    def cut_low(self) -> bool:
        """Whether the last byte, and not the one before it, lost its high bits or its stop bit."""
        if not self.tail or self._before:
            return False
        last = self.tail[-1]
        return last < 0x80 and (self.flawed or _TEXT_ENDS.search(self.tail) is None)
