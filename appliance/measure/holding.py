"""Whether what disagrees goes on doing so."""

from __future__ import annotations

from appliance.measure.track import Node

HOLDS_S = 1.0
"""A disagreement is told once it has gone on for so long. Ours: a bend or a brake makes none, with what filters in
receivers delay allowed."""
SLACK_S = 0.05


class Holding:
    """Whether something goes on: from its first instant on, without a break."""

    def __init__(self) -> None:
        self.since: Node | None = None
        self.told = False
        self._count = 0
        self._good_s: float | None = None

    def bad(self, node: Node) -> None:
        if self.since is None:
            self.since, self._count = node, 0
        self._count += 1
        self._good_s = None

    def good(self, t_s: float) -> None:
        """One good look ends what was not yet told; what was, ends after HOLDS_S of them."""
        if self.since is None and not self.told:
            return  # as mostly: there is nothing to end
        if self._good_s is None:
            self._good_s = t_s
        if not self.told or t_s - self._good_s >= HOLDS_S:
            self.clear()

    def clear(self) -> None:
        self.since, self.told, self._good_s = None, False, None

    def seconds(self, t_s: float) -> float:
        return t_s - self.since.t_s if self.since is not None else 0.0

    def long_enough(self, t_s: float, needed_s: float) -> bool:
        return self._count >= 2 and self.seconds(t_s) >= needed_s - SLACK_S
