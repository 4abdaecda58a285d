"""What the line carries: bytes, the share of its capacity in use, and its silences.

Bits on the wire are ten a byte at 8N1 (start, eight data, stop). Bytes are counted into tenths of a second by their
byte times; the load of any one second is the sum of ten of those.
"""

from __future__ import annotations

from collections import deque
from itertools import islice

from appliance.sentence.chunk import Chunk

BITS_A_BYTE = 10
_TENTH_NS = 100_000_000
_SECOND_TENTHS = 10
_RECENT_TENTHS = 100
_RECENT_SECONDS = _RECENT_TENTHS - _SECOND_TENTHS


class Load:
    """Of one line. silence_most_ns: a silence longer than this is noted for whoever asks."""

    def __init__(self, baud: int, silence_most_ns: int | None = None) -> None:
        self.baud = baud
        self.silence_most_ns = silence_most_ns
        self.total = 0
        self.first_ns: int | None = None
        self.last_ns: int | None = None
        self.resumed_ns = 0
        self.longest_silence_ns = 0
        self.worst_second_bytes = 0
        self._silence: tuple[int, int] | None = None
        self._tenth = 0
        self._tenth_ends_ns = 0
        self._tenths: deque[int] = deque([0] * _RECENT_TENTHS, maxlen=_RECENT_TENTHS)
        self._second_bytes = 0  # of the ten tenths that end with the one under way
        self._seconds: deque[int] = deque([0] * _RECENT_SECONDS, maxlen=_RECENT_SECONDS)  # and with each before it

    def add(self, chunk: Chunk) -> None:
        """The next bytes of the line."""
        if self.last_ns is None:
            self.first_ns = chunk.start_ns
            self._begin(chunk.start_ns // _TENTH_NS)
        else:
            silence = chunk.start_ns - self.last_ns
            self.longest_silence_ns = max(self.longest_silence_ns, silence)
            if self.silence_most_ns is not None and silence > self.silence_most_ns:
                if self._silence is None or silence > self._silence[1] - self._silence[0]:
                    self._silence = self.last_ns, chunk.start_ns
                self.resumed_ns = chunk.start_ns
        size = len(chunk.data)
        self.last_ns = chunk.end_ns
        self.total += size
        begin = 0
        while chunk.end_ns >= self._tenth_ends_ns and begin < size:
            self._advance((chunk.start_ns + begin * chunk.step_ns) // _TENTH_NS)
            room = -(-(self._tenth_ends_ns - chunk.start_ns) // chunk.step_ns) if chunk.step_ns else size
            end = min(size, max(room, begin + 1))
            self._count(end - begin)
            begin = end
        if begin < size:  # all of it, mostly
            self._count(size - begin)

    def _count(self, size: int) -> None:
        self._tenths[-1] += size
        self._second_bytes += size
        self.worst_second_bytes = max(self.worst_second_bytes, self._second_bytes)

    def _advance(self, tenth: int) -> None:
        for _ in range(min(max(tenth - self._tenth, 0), _RECENT_TENTHS)):
            self._seconds.append(self._second_bytes)
            self._second_bytes -= self._tenths[-_SECOND_TENTHS]
            self._tenths.append(0)
        self._begin(max(tenth, self._tenth))

    def _begin(self, tenth: int) -> None:
        self._tenth, self._tenth_ends_ns = tenth, (tenth + 1) * _TENTH_NS

    def take_silence(self) -> tuple[int, int] | None:
        """The longest silence that ended since this was last asked, as (from, to)."""
        longest, self._silence = self._silence, None
        return longest

    def recent_bytes_hz(self, now_ns: int) -> float:
        """Bytes a second over the last 10 s, or since the first byte."""
        if self.first_ns is None:
            return 0.0
        covered_ns = (_RECENT_TENTHS - 1) * _TENTH_NS + now_ns % _TENTH_NS
        seconds = max(_TENTH_NS, min(covered_ns, now_ns - self.first_ns)) / 1e9
        return sum(self._recent(now_ns)) / seconds

    def recent_worst_ratio(self, now_ns: int) -> float:
        """The load of the fullest second of the last 10 s."""
        passed = self._passed(now_ns)
        if passed > _RECENT_SECONDS:
            most = sum(self._recent(now_ns))
        else:
            most = max(self._second_bytes, max(islice(self._seconds, passed, None), default=0))
        return most * BITS_A_BYTE / self.baud

    def _recent(self, now_ns: int) -> list[int]:
        """Bytes of the last hundred tenths, but for those at the end in which nothing came.

        Asking moves nothing on: bytes stamped before now may still be coming.
        """
        return [*self._tenths][self._passed(now_ns) :]

    def _passed(self, now_ns: int) -> int:
        return min(max(now_ns // _TENTH_NS - self._tenth, 0), _RECENT_TENTHS)

    def mean_ratio(self, now_ns: int) -> float | None:
        """The load from the first byte until now; None where it cannot be told yet."""
        if self.first_ns is None or now_ns <= self.first_ns:
            return None
        return self.total * BITS_A_BYTE * 1e9 / (self.baud * (now_ns - self.first_ns))

    def worst_ratio(self) -> float:
        """The load of the fullest second of the watch."""
        return self.worst_second_bytes * BITS_A_BYTE / self.baud
