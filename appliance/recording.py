"""Recorded logs as chunks: plain text, dated by the sentences' own UTC, or text with TAG blocks, dated on arrival.

A TAG block stands before its sentence: `\\s:…,c:1777886053412*hh\\$GNGGA,…` (IEC 61162-450, NMEA 0183 v4.10). Its `c`
is UNIX time in seconds or milliseconds. Plain text has no times of arrival: every sentence is dated by the last UTC
that was sent, so rates and gaps can be judged and jitter, load and silence cannot.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain, groupby, islice
from pathlib import Path
from typing import BinaryIO, Literal, NamedTuple

from appliance.measure.load import BITS_A_BYTE
from appliance.measure.time import utc_ns
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import FRAME_MOST_BYTES, Framer
from appliance.sentence.parse import Sentence, parse
from appliance.sentence.types import GGA, GLL, GST, RMC, ZDA

Form = Literal["plain", "tagged"]

_AFTER_LONE_CR = re.compile(rb"(?<=\r)(?=[^\r\n])")
_BINARY_SHARE = 0.1
_TEXT = bytes(range(0x20, 0x7F)) + b"\t\r\n"
_PACKED = {b"\x1f\x8b": "gzip", b"PK\x03\x04": "zip", b"BZh": "bzip2", b"\xfd7zXZ": "xz", b"\x28\xb5\x2f\xfd": "zstd"}
_TAGGED = re.compile(rb"\\([^\\]*)\*([0-9A-Fa-f]{2})\\(.*)", re.DOTALL)
_DAY_S = 86400.0
_DAY_NS = 86_400_000_000_000
_MILLISECONDS_FROM = 100_000_000_000
"""A `c` of this or more counts milliseconds: in seconds it would lie past the year 5000."""
_STAMP_MOST_NS = 9_214_646_400_000_000_000
"""A `c` of this or more, which is 2262-01-01, is no time: in that year the 64 bits end that ns are kept in."""
_STAMP_DIGITS_MOST = 20
_SNIFF_BYTES = 65536
_SNIFF_ROWS = 100
_GROUP_MOST = 10_000
COARSE_S, FINE_S = 1.0, 0.001
"""What one step of `c` is, in seconds and in milliseconds: nothing can be told finer by it."""
_SECOND_NS = 1_000_000_000
_TIMED = frozenset({b"GGA", b"RMC", b"GLL", b"GST", b"ZDA"})
_TELLS_TIME, _TELLS_DATE = (GGA, RMC, GLL, GST, ZDA), (RMC, ZDA)


class RecordingError(ValueError):
    """The file cannot be judged; says why and what to do."""


@dataclass(slots=True)
class Recorded:
    """One piece of a recording: of which line, with its bytes and when (ns of UTC, or of the first day)."""

    line: str
    chunk: Chunk


def form_of(path: Path) -> Form:
    """Whether a log has TAG blocks. Raises RecordingError for what is no log of sentences."""
    with path.open("rb") as file:
        head = file.read(_SNIFF_BYTES)
    if not head:
        raise RecordingError(f"{path} is empty: there is nothing to judge. Give a log with sentences in it.")
    for magic, name in _PACKED.items():
        if head.startswith(magic):
            raise RecordingError(f"{path} is packed with {name}. Unpack it and give the file that was in it.")
    if len(head.translate(None, _TEXT)) > _BINARY_SHARE * len(head):
        raise RecordingError(
            f"{path} is no text, so no log of NMEA 0183 sentences. Give the text as it came from the line; "
            f"if this came from the line, its baud or polarity was wrong when it was taken."
        )
    if re.search(rb"(?:^|\n)\\[^\\\n]*c:\d+[^\\\n]*\*[0-9A-Fa-f]{2}\\[$!]", head):
        return "tagged"
    if b"$" not in head:
        raise RecordingError(
            f"{path} does not look like a log of NMEA 0183 sentences: "
            f"there is no `$` in its first {len(head)} bytes. Give the text as it came from the line."
        )
    return "plain"


def _rows(file: BinaryIO) -> Iterator[bytes]:
    """Rows with their end, be it LF or CR alone, none longer than a frame may be."""
    held = b""
    while piece := file.readline(FRAME_MOST_BYTES - len(held)):
        if not held and piece.endswith(b"\n") and piece.find(b"\r", 0, -2) < 0:  # as mostly: one row, with its end
            yield piece
            continue
        *rows, held = _AFTER_LONE_CR.split(held + piece)
        yield from rows
        if held.endswith(b"\n") or len(held) == FRAME_MOST_BYTES:
            yield held
            held = b""
    if held:
        yield held


def plain(path: Path) -> Iterator[Recorded]:
    """Each row of a plain log, dated by its own UTC or else the last one sent; before the first one, by that."""
    begun = _begun(path)
    clock = _SentenceClock(begun.first_day_ns or 0, begun.first_s or 0.0)
    with path.open("rb") as file:
        for row in _rows(file):
            yield Recorded("from-receiver", Chunk(row, clock.date(row), 0))


def dated(path: Path) -> bool:
    """Whether a plain log holds a date (RMC or ZDA), so that its times are UTC and not just times of some day."""
    return _begun(path).first_day_ns is not None


def timed(path: Path) -> bool:
    """Whether any sentence of a plain log tells a time at all."""
    return _begun(path).first_s is not None


def _begun(path: Path) -> _SentenceClock:
    """The clock of a log, run up to the first date in it; to its end where there is none."""
    clock = _SentenceClock()
    with path.open("rb") as file:
        for row in _rows(file):
            clock.date(row)
            if clock.midnight_ns is not None:
                break
    return clock


def tagged(path: Path, baud: int, undated: Counter[str] | None = None) -> Iterator[Recorded]:
    """Each row of a log with TAG blocks; its `c` is taken as the time of its first byte, the rest follow at the baud.

    Rows that share a whole second are spread over it: that is as much as such a time tells. undated: counts, under
    its line, each row that has no right time in a TAG block; such a row keeps the time before it, and one at the very
    start the first time there is. Raises RecordingError where there is none.
    """
    step_ns = BITS_A_BYTE * 1_000_000_000 // baud
    with path.open("rb") as file:
        at_ns = next((row.stamp_ns for row in map(_untag, _rows(file)) if row.stamp_ns is not None), None)
        if at_ns is None:
            raise RecordingError(
                f"{path} has TAG blocks, but no `c` in them tells a UNIX time in seconds or milliseconds. "
                "Take the blocks off to have it judged by the sentences' own times."
            )
        file.seek(0)
        for stamp_ns, begin_ns, apart_ns, rows in _spread(_groups(file)):
            at_ns = max(at_ns, begin_ns or 0)
            for number, row in enumerate(rows):
                if stamp_ns is None and undated is not None:
                    undated[row.line] += 1
                yield Recorded(row.line, Chunk(row.sentence, at_ns + number * apart_ns, step_ns))
            at_ns += (len(rows) - 1) * apart_ns  # what follows comes no earlier, whatever its time says


def _groups(file: BinaryIO) -> Iterator[list[_Tagged]]:
    """Rows that follow each other with the same time, or with none."""
    for _, group in groupby(enumerate(map(_untag, _rows(file))), lambda one: (one[1].stamp_ns, one[0] // _GROUP_MOST)):
        yield [row for _, row in group]


def _spread(groups: Iterator[list[_Tagged]]) -> Iterator[tuple[int | None, int | None, int, list[_Tagged]]]:
    """(time, begin, time apart, rows) of each group; one in whole seconds is spread over its second.

    A second that holds fewer rows than its neighbour is taken as cut off: the first at its start, others at their end.
    """
    head = list(islice(groups, 2))
    usual = len(head[-1]) if head else 0
    for number, rows in enumerate(chain(head, groups)):
        stamp_ns = rows[0].stamp_ns
        if stamp_ns is None or not rows[0].coarse:
            yield stamp_ns, stamp_ns, 0, rows
            continue
        apart_ns = _SECOND_NS // max(len(rows), usual)
        late_ns = 0 if number else _SECOND_NS - len(rows) * apart_ns
        yield stamp_ns, stamp_ns + late_ns, apart_ns, rows
        usual = len(rows)


def coarse(path: Path) -> bool:
    """Whether the times in a log with TAG blocks are whole seconds."""
    with path.open("rb") as file:
        return any(row.coarse for row in islice(map(_untag, _rows(file)), _SNIFF_ROWS))


class _Tagged(NamedTuple):
    """A row without its TAG block. stamp_ns: None where there is no right one; coarse: in whole seconds."""

    line: str
    stamp_ns: int | None
    coarse: bool
    sentence: bytes


def _untag(row: bytes) -> _Tagged:
    """A block that is damaged tells nothing and is left out as well: the log was hurt, not the line."""
    match = _TAGGED.match(row)
    if match is None:
        return _Tagged("from-receiver", None, False, row)
    return _Tagged(*_read_block(match[1], match[2]), match[3])


@lru_cache(maxsize=64)
def _read_block(block: bytes, sent: bytes) -> tuple[str, int | None, bool]:
    """Line, time and whether that is in whole seconds; the sentences of one epoch mostly have the same block."""
    if checksum(block) != int(sent, 16):
        return "from-receiver", None, False
    fields = dict(part.partition(b":")[::2] for part in block.split(b","))
    line = "from-controller" if fields.get(b"s") == b"controller" else "from-receiver"
    stamp = fields.get(b"c", b"")
    if not stamp.isdigit() or len(stamp) > _STAMP_DIGITS_MOST:
        return line, None, False
    coarse = int(stamp) < _MILLISECONDS_FROM
    stamp_ns = int(stamp) * (_SECOND_NS if coarse else 1_000_000)
    return (line, stamp_ns, coarse) if stamp_ns < _STAMP_MOST_NS else (line, None, False)


class _SentenceClock:
    """Dates rows by the UTC in them, never backwards.

    day_ns, time_s: when the first row came, as far as it is known. midnight_ns: of the last date believed; one that
    jumps ahead is believed when it comes twice running. days: midnights passed by the times of day.
    """

    def __init__(self, day_ns: int = 0, time_s: float = 0.0) -> None:
        self.midnight_ns: int | None = None
        self.days = 0
        self.first_s: float | None = None
        self._day_ns = day_ns
        self._now_ns = day_ns + round(time_s * 1e9)
        self._time_s: float | None = None
        self._rumour_ns: int | None = None

    @property
    def first_day_ns(self) -> int | None:
        """Midnight before the first row, worked back from the last date; None where there is none."""
        return None if self.midnight_ns is None else self.midnight_ns - self.days * _DAY_NS

    def date(self, row: bytes) -> int:
        """Time of a row, in ns."""
        if row[:1] == b"$" and row[3:6] not in _TIMED and row.count(b"$") == 1:
            return self._now_ns  # whether it is sound or not, it tells no time
        framer = Framer()
        frames = framer.feed(Chunk(row, 0, 0)) + framer.flush()
        heard = parse(frames[0], checksum_required=False) if len(frames) == 1 else None
        content = heard.content if isinstance(heard, Sentence) else None
        if isinstance(content, _TELLS_TIME) and content.time_s is not None:
            self._pass_to(content.time_s)
            if isinstance(content, _TELLS_DATE) and content.date:
                self._believe(utc_ns(content.date, 0.0))
            self._now_ns = max(self._now_ns, self._day_ns + round(content.time_s * 1e9))
        return self._now_ns

    def _pass_to(self, time_s: float) -> None:
        if self.first_s is None:
            self.first_s = time_s
        if self._time_s is not None and time_s - self._time_s < -_DAY_S / 2:
            self._day_ns += _DAY_NS
            self.days += 1
        self._time_s = time_s

    def _believe(self, midnight_ns: int | None) -> None:
        if midnight_ns is None:
            return
        if midnight_ns > self._day_ns and midnight_ns == self._rumour_ns:
            self._day_ns = midnight_ns
        self._rumour_ns = self.midnight_ns = midnight_ns
