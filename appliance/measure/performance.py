"""Error performance by the second, in the terms of ITU-T G.826 with a sentence as the block.

An errored second holds at least one damaged sentence; a severely errored one holds at least 30 % damaged, or no sound
one where the line should speak (a defect). Ten severely errored seconds on end begin unavailable time, and belong to
it; ten seconds on end that are not severely errored end it, and do not belong to it. Errors are counted in available
time only. Until the tenth second has come the last ones are pending: whether they were available is not known yet.
"""

from __future__ import annotations

from dataclasses import dataclass

SEVERE_SHARE = 0.3
TURN_SECONDS = 10
"""Both of ITU-T G.826."""
_SECOND_NS = 1_000_000_000
_NEVER_NS = 2**62
_JUMP_SECONDS = 30
"""Seconds of a long silence that are told one by one; the rest are alike."""


@dataclass(slots=True)
class Second:
    """One second. blocks: sentences, sound or not; errored: the damaged among them; defect: none where one was due."""

    blocks: int
    errored: int
    defect: bool = False

    @property
    def bad(self) -> bool:
        """Errored."""
        return self.defect or self.errored > 0

    @property
    def severe(self) -> bool:
        """Severely errored."""
        return self.defect or (self.blocks > 0 and self.errored >= SEVERE_SHARE * self.blocks)


class Performance:
    """Feed it second after second. available and unavailable: seconds decided; pending: not yet.

    errored, severe: seconds of available time; background: damaged sentences in available seconds that are not
    severely errored.
    """

    def __init__(self) -> None:
        self.available = 0
        self.unavailable = 0
        self.errored = 0
        self.severe = 0
        self.background = 0
        self.down = False
        self._run: list[Second] = []

    @property
    def pending(self) -> int:
        """Seconds of which it is not known yet whether they were available."""
        return len(self._run)

    def add(self, second: Second, times: int = 1) -> None:
        """One second, or so many alike."""
        for _ in range(min(times, _JUMP_SECONDS)):
            self._add(second)
        rest = times - _JUMP_SECONDS
        if rest > 0:  # by now the run is decided, and alike seconds only add to it
            self._count(second, rest)

    def _add(self, second: Second) -> None:
        if second.severe == self.down:
            for waiting in self._run:
                self._count(waiting, 1)
            self._run.clear()
            self._count(second, 1)
            return
        self._run.append(second)
        if len(self._run) == TURN_SECONDS:
            self.down = not self.down
            for waiting in self._run:
                self._count(waiting, 1)
            self._run.clear()

    def _count(self, second: Second, times: int) -> None:
        if self.down:
            self.unavailable += times
            return
        self.available += times
        self.errored += times * second.bad
        self.severe += times * second.severe
        self.background += 0 if second.severe else times * second.errored


class SecondBySecond:
    """Sorts the sentences of a line into seconds, from the moment listening is said to begin.

    silence_most_ns: after so long without a sound sentence, a second that holds none is a defect; None where silence is
    none, or cannot be told.
    """

    def __init__(self, silence_most_ns: int | None) -> None:
        self.total = Performance()
        self._silence_most_ns = _NEVER_NS if silence_most_ns is None else silence_most_ns
        self._begin_ns = self._sound_ns = 0
        self._blocks = self._errored = 0
        self._listening = False

    def add(self, at_ns: int, *, sound: bool) -> None:
        """One sentence, and whether it is sound."""
        if not self._listening:
            return
        self.until(at_ns)
        self._blocks += 1
        if sound:
            self._sound_ns = at_ns
        else:
            self._errored += 1

    def pause(self, at_ns: int) -> None:
        """From here on nobody listens: the second under way, and what follows, is not counted."""
        self.until(at_ns)
        self._listening = False

    def begin(self, at_ns: int) -> None:
        """Listening begins, or begins again."""
        self._listening = True
        self._begin_ns = self._sound_ns = at_ns
        self._blocks = self._errored = 0

    def until(self, now_ns: int) -> None:
        """The time passed: seconds that are over are counted."""
        if now_ns - self._begin_ns < _SECOND_NS or not self._listening:
            return
        over = (now_ns - self._begin_ns) // _SECOND_NS
        while over > 0:
            alike = 1 if self._blocks else min(over, self._alike(over))
            end_ns = self._begin_ns + alike * _SECOND_NS
            nothing = self._blocks == self._errored
            defect = nothing and end_ns - self._sound_ns > self._silence_most_ns
            self.total.add(Second(self._blocks, self._errored, defect), alike)
            self._begin_ns, self._blocks, self._errored = end_ns, 0, 0
            over -= alike

    def _alike(self, over: int) -> int:
        """How many of the seconds that are over are the same: until a silence is a defect, and then all of them.

        A log may tell a time of many years in which nothing came: they are not gone through one by one.
        """
        fine = (self._silence_most_ns - (self._begin_ns - self._sound_ns)) // _SECOND_NS
        return fine if fine > 0 else over
