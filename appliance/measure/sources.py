"""Whether one receiver speaks or two: the UTC of one runs on, that of two is told twice or goes back and forth.

Only the sentences that get through can be asked; where the two collide, all is garbled (see hunt). A second sent
twice, as at a leap second or by a receiver's hiccup, is not enough. Nor is a receiver that tells whole seconds and
sends more often than that: it tells each of them several times, but evenly spaced, which two are only by a fluke. Nor
is a clock that stands: of the same time told again and again, only the first time counts.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from appliance.sentence.types import GGA, RMC, ZDA, Content

_MEMORY = 20
_ENOUGH = 6
"""Sentences of a type before it is asked. Our choice."""
TWICE_LEAST = 0.25
"""Share of the sentences of a type whose UTC does not run on, from which two talkers are taken to be there."""
_EVEN_LEAST = 0.6
"""A whole second told again after this share of the mean interval, or more, is one receiver's. Our choice: a tenth of
a second late and the next one early is nothing to it at 5 Hz."""
_MIDNIGHT_S = 43_200.0
_TIMED = (GGA, RMC, ZDA)


class _Step(NamedTuple):
    """From one sentence of a type to the next: in UTC, and in arrival. whole: both told whole seconds."""

    step_s: float
    interval_ns: int
    whole: bool


class Sources:
    """Feed it the understood sentences of one line."""

    def __init__(self) -> None:
        self._last: dict[type, tuple[float, int]] = {}
        self._steps: dict[type, deque[_Step]] = {}
        self._odd: dict[type, int] = {}  # of each type, for how many more steps one that did not run on is remembered

    def add(self, content: Content, at_ns: int) -> None:
        """One sentence that carries a time of day, and when it came."""
        if not isinstance(content, _TIMED) or content.time_s is None:
            return
        kind, time_s = type(content), content.time_s
        if kind in self._last:
            last_s, last_ns = self._last[kind]
            step = _Step(time_s - last_s, at_ns - last_ns, time_s % 1 == last_s % 1 == 0)
            if kind not in self._steps:
                self._steps[kind] = deque(maxlen=_MEMORY)
            self._steps[kind].append(step)
            self._odd[kind] = _MEMORY if step.step_s <= 0 else max(0, self._odd.get(kind, 0) - 1)
        self._last[kind] = time_s, at_ns

    @property
    def twice_share(self) -> float:
        """The largest share, over the types, of sentences whose UTC was told before; 0 while too few have come."""
        asked = [steps for kind, steps in self._steps.items() if self._odd[kind] and len(steps) >= _ENOUGH]
        return max(map(_twice, asked), default=0.0)


def _twice(steps: deque[_Step]) -> float:
    """Of one type. Only where all of its times are whole seconds is the interval asked as well."""
    whole = all(step.whole for step in steps)
    soon_ns = _EVEN_LEAST * sum(step.interval_ns for step in steps) / len(steps)
    told, before_s = 0, 1.0
    for step in steps:
        if step.step_s == 0:
            told += step.interval_ns < soon_ns if whole else before_s != 0
        else:
            told += -_MIDNIGHT_S < step.step_s < 0
        before_s = step.step_s
    return told / len(steps)
