r"""Text: each sentence in a row of its own, dated by a TAG block of the open standard.

    \s:receiver,c:1777886053412*hh\$GNGGA,...*hh<CR><LF>

TAG block (IEC 61162-450, NMEA 0183 v4.10): parameters between two backslashes, `*` and a checksum that is the XOR
of the characters between the first backslash and the `*`, two upper-case hex digits. s: source; c: UNIX time, here
in ms, of the byte time of the sentence's first character. Any reader of the standard takes it, and one that cuts
from `$` to the end of the row reads the sentences alone.

Damaged frames are there too, as they came, since they are what one looks for; a frame that lost its end gets CR LF
so that the next begins a row. A frame in which the watch itself ended is left out. Bytes that belong to no frame are
not in the text; the raw bytes have them.
"""

from __future__ import annotations

from collections.abc import Iterator

from appliance.history.reader import History
from appliance.history.rows import Watch
from appliance.sentence.checksum import checksum
from appliance.sentence.frame import Frame, Framer
from appliance.take.stream import gathered
from appliance.take.utc import utc_ms

SOURCES = {"from-receiver": "receiver", "from-controller": "controller"}

# Read beyond both edges of the span, so that a sentence on an edge is whole and belongs to the span it starts in.
# The longest frame the framer keeps, 1024 bytes, takes 2.1 s at 4800 baud.
EDGE_NS = 3_000_000_000


def lines(
    history: History, watch: Watch, line: str, from_ns: int | None = None, to_ns: int | None = None
) -> Iterator[bytes]:
    """Sentences that start in the span; spans side by side share none and lose none."""
    return gathered(_rows(history, watch, line, from_ns, to_ns))


def tag_block(source: str, unix_ms: int) -> bytes:
    """The TAG block that dates a sentence, both backslashes included. source: at most 15 characters."""
    body = b"s:%s,c:%d" % (source.encode("ascii"), unix_ms)
    return b"\\%s*%02X\\" % (body, checksum(body))


def _rows(history: History, watch: Watch, line: str, from_ns: int | None, to_ns: int | None) -> Iterator[bytes]:
    source = SOURCES[line]
    for frame in frames(history, watch, line, from_ns, to_ns):
        yield tag_block(source, utc_ms(watch, frame.start_ns)) + _ended(frame.raw)


def frames(history: History, watch: Watch, line: str, from_ns: int | None, to_ns: int | None) -> Iterator[Frame]:
    """The frames, good and damaged, that start in the span."""
    framer = Framer()
    begin_ns = None if from_ns is None else from_ns - EDGE_NS
    end_ns = None if to_ns is None else to_ns + EDGE_NS
    for chunk in history.chunks(watch.id, line, begin_ns, end_ns):
        for frame in framer.feed(chunk):
            if to_ns is not None and frame.start_ns >= to_ns:
                return
            if from_ns is None or frame.start_ns >= from_ns:
                yield frame
    for frame in framer.flush():
        if frame.flaw:
            return  # the watch ended within it: it is no damage of the line
        if (to_ns is None or frame.start_ns < to_ns) and (from_ns is None or frame.start_ns >= from_ns):
            yield frame


def _ended(raw: bytes) -> bytes:
    if raw.endswith(b"\n"):
        return raw
    return raw + (b"\n" if raw.endswith(b"\r") else b"\r\n")
