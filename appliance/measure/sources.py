"""Whether one receiver speaks or two: the UTC of one runs on, that of two is told twice or goes back and forth.

Only the sentences that get through can be asked; where the two collide, all is garbled (see hunt). A second sent
twice, as at a leap second or by a receiver's hiccup, is not enough.
"""

from __future__ import annotations

from collections import deque

from appliance.sentence.types import GGA, RMC, ZDA, Content

_MEMORY = 20
_ENOUGH = 6
"""Sentences of a type before it is asked. Our choice."""
TWICE_LEAST = 0.25
"""Share of the sentences of a type whose UTC does not run on, from which two talkers are taken to be there."""
_MIDNIGHT_S = 43_200.0


class Sources:
    """Feed it the understood sentences of one line."""

    def __init__(self) -> None:
        self._last: dict[type, float] = {}
        self._twice: dict[type, deque[bool]] = {}

    def add(self, content: Content) -> None:
        """One sentence that carries a time of day."""
        if not isinstance(content, GGA | RMC | ZDA) or content.time_s is None:
            return
        kind = type(content)
        last = self._last.get(kind)
        if last is not None:
            step_s = content.time_s - last
            self._twice.setdefault(kind, deque(maxlen=_MEMORY)).append(-_MIDNIGHT_S < step_s <= 0)
        self._last[kind] = content.time_s

    @property
    def twice_share(self) -> float:
        """The largest share, over the types, of sentences whose UTC was told before; 0 while too few have come."""
        asked = [queue for queue in self._twice.values() if len(queue) >= _ENOUGH]
        return max((sum(queue) / len(queue) for queue in asked), default=0.0)
