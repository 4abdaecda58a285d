"""Cuts a stream of bytes into frames.

A frame runs from `$` (or, outside a frame, `!`) to the next LF. Whatever lies between frames is junk. A `$` inside
a frame means that the end of that frame was lost: it is closed as cut short and a new one begins. So every byte
belongs to exactly one frame or to junk, however the stream was cut into chunks, and a damaged frame costs none but
itself. A frame without an end is closed at FRAME_MOST_BYTES, which bounds the memory. Nothing is ever latched: after
any rubbish the next `$` starts afresh.

Source of start and end: IEC 61162-1 / NMEA 0183 (start `$` or `!`, end CR LF). A lone LF or a lone CR also ends a
frame, since logs often lose one of the two; the parser marks it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from appliance.sentence.chunk import Chunk

FRAME_MOST_BYTES = 1024
"""Longest frame kept, in bytes. Twelve times the standard's 82: makers' sentences are long. Our choice."""

_START = re.compile(rb"[$!]")
_STARTS_ONLY = re.compile(rb"\$+(?=\$)")
_NOT_BLANK = re.compile(rb"[^\r\n]")
_CLOSED_BY_CHECKSUM = re.compile(rb"\*[0-9A-Fa-f]{2}\Z")


@dataclass(slots=True)
class Frame:
    """A run of bytes cut from the stream.

    start_ns, end_ns: byte times of the first and of the last byte. flaw: "" or "cut-short" or "overlong".
    """

    raw: bytes
    start_ns: int
    end_ns: int
    flaw: str = ""


class Framer:
    """Feed it chunks of one line in order; it gives the frames that ended in each.

    At any time `framed + junk + pending` is the number of bytes fed. stray: how many runs of junk held more than
    CR and LF; stray_ns: when the last of them began. (A sentence whose `$` was lost is such a run.)
    """

    def __init__(self) -> None:
        self.framed = 0
        self.junk = 0
        self.stray = 0
        self.stray_ns = 0
        self._in_stray = False
        self._open = b""  # the frame begun and not ended; it holds no `$` but its first byte
        self._open_start_ns = 0
        self._open_end_ns = 0

    @property
    def pending(self) -> int:
        """Bytes of the frame that has begun and not yet ended."""
        return len(self._open)

    def feed(self, chunk: Chunk) -> list[Frame]:
        """Frames that end in this chunk, in order."""
        frames: list[Frame] = []
        data, start_ns, step_ns = chunk.data, chunk.start_ns, chunk.step_ns
        begin, size = 0, len(data)
        while begin < size:
            if not self._open:  # the quick way for a frame that lies whole in the chunk; _extend would do the same
                end = data.find(b"\n", begin, begin + FRAME_MOST_BYTES) + 1
                if end and data.rfind(b"$", begin, end) == begin:
                    frames.append(Frame(data[begin:end], start_ns + begin * step_ns, start_ns + (end - 1) * step_ns))
                    self.framed += end - begin
                    self._in_stray = False
                    begin = end
                    continue
                if (end := self._starts_only(chunk, begin, frames)) > begin:
                    begin = end
                    continue
            if not self._open and data[begin] not in b"$!":
                begin = self._skip_junk(chunk, begin)
            else:
                begin = self._extend(chunk, begin, frames)
        return frames

    def flush(self) -> list[Frame]:
        """The frame still open when the stream ends; a whole one that lacks just CR LF has no flaw."""
        frames: list[Frame] = []
        if self._open:
            whole = _CLOSED_BY_CHECKSUM.search(self._open.removesuffix(b"\r"))
            self._close(frames, "" if whole else "cut-short")
        return frames

    def _starts_only(self, chunk: Chunk, begin: int, frames: list[Frame]) -> int:
        """The quick way for each `$` with another right behind it, a frame cut short; gives where they end."""
        run = _STARTS_ONLY.match(chunk.data, begin)
        if run is None:
            return begin
        for at in range(begin, run.end()):
            at_ns = chunk.start_ns + at * chunk.step_ns
            frames.append(Frame(b"$", at_ns, at_ns, "cut-short"))
        self.framed += run.end() - begin
        self._in_stray = False
        return run.end()

    def _skip_junk(self, chunk: Chunk, begin: int) -> int:
        """Counts the bytes from begin to the next start as junk; gives where they end."""
        start = _START.search(chunk.data, begin)
        end = start.start() if start else len(chunk.data)
        self.junk += end - begin
        if not self._in_stray and (strange := _NOT_BLANK.search(chunk.data, begin, end)):
            self._in_stray = True
            self.stray += 1
            self.stray_ns = chunk.start_ns + strange.start() * chunk.step_ns
        return end

    def _extend(self, chunk: Chunk, begin: int, frames: list[Frame]) -> int:
        """Adds to the frame, from begin to its LF, to the next `$`, to the cap or to the chunk's end; gives where."""
        data, held = chunk.data, len(self._open)
        most = begin + FRAME_MOST_BYTES - held
        limit = data.find(b"\n", begin, most) + 1 or min(most, len(data))
        cut = data.find(b"$", begin if held else begin + 1, limit)
        end = limit if cut < 0 else cut
        if not held:
            self._open_start_ns = chunk.start_ns + begin * chunk.step_ns
        if end > begin:
            self._open += data[begin:end]
            self._open_end_ns = chunk.start_ns + (end - 1) * chunk.step_ns
        if cut >= 0:
            self._close(frames, "" if self._open.endswith(b"\r") else "cut-short")
        elif self._open.endswith(b"\n"):
            self._close(frames, "")
        elif len(self._open) == FRAME_MOST_BYTES:
            self._close(frames, "overlong")
        return end

    def _close(self, frames: list[Frame], flaw: str) -> None:
        frames.append(Frame(self._open, self._open_start_ns, self._open_end_ns, flaw))
        self.framed += len(self._open)
        self._open = b""
        self._in_stray = False
