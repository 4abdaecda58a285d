"""What must hold for a while before it is told, and what counts as usual.

One odd epoch proves little: a field left empty now and then, a sentence made while the fix was changing, a loss that
the sum did not see. So a condition is told once it held for several epochs and some time running, and dates from the
first of them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection

from appliance.measure.epoch import GAP_S
from appliance.measure.trouble import Figures, Troubles

FORGET_NS = round(GAP_S * 1e9)
"""After so long without an epoch, or without one that tells, nothing is carried on."""
CONFIRM_COUNT = 2
CONFIRM_NS = 1_500_000_000
"""A condition is told after two epochs that are 1.5 s apart: 2 s at 1 Hz, with room for late arrivals. Our choice."""

Value = str | int


class _Run:
    """A condition that holds, by one source: since when, in how many epochs, when last."""

    __slots__ = ("count", "first_ns", "last_ns", "told")

    def __init__(self, at_ns: int) -> None:
        self.first_ns = self.last_ns = at_ns
        self.count = 0
        self.told = False


class Persist:
    """One kind of trouble that is told while a condition holds, once it has held for long enough.

    source: which sentence type tells it; each is asked on its own, so that one that is right does not hide another
    that is wrong. runs: the conditions that hold, by source.
    """

    __slots__ = ("_count_least", "_least_ns", "kind", "runs", "troubles")

    def __init__(
        self, troubles: Troubles, kind: str, count_least: int = CONFIRM_COUNT, least_ns: int = CONFIRM_NS
    ) -> None:
        self.troubles = troubles
        self.kind = kind
        self._count_least = count_least
        self._least_ns = least_ns
        self.runs: dict[str, _Run] = {}

    @property
    def told(self) -> bool:
        """Whether it is being told."""
        return bool(self.runs) and any(run.told for run in self.runs.values())

    def good(self, at_ns: int, source: str = "") -> None:
        """Asked, and not so."""
        if self.runs:
            self.runs.pop(source, None)
            if self.told:
                return
        self.troubles.fine(self.kind, at_ns)

    def bad(
        self, at_ns: int, measured: float | None = None, *, source: str = "", needed: float | None = None,
        note: str = "", figures: Figures | None = None,
    ) -> None:  # fmt: skip
        """Asked, and so."""
        run = self.runs.setdefault(source, _Run(at_ns))
        run.count += 1
        run.last_ns = at_ns
        if run.told or (run.count >= self._count_least and at_ns - run.first_ns >= self._least_ns):
            run.told = True
            self.troubles.lasts(self.kind, run.first_ns, measured, needed=needed, note=note, figures=figures)

    def still(self, at_ns: int, source: str = "") -> None:
        """Nothing new was told of it: what is told goes on."""
        if source in self.runs:
            self.runs[source].last_ns = at_ns

    def forget(self) -> None:
        """The line was silent: what was not yet told must begin anew."""
        self.runs = {source: run for source, run in self.runs.items() if run.told}

    def expire(self, at_ns: int) -> None:
        """Ends what is no more asked, because what would tell it no longer comes."""
        if not self.runs:
            return
        told = self.told
        self.runs = {source: run for source, run in self.runs.items() if at_ns - run.last_ns <= FORGET_NS}
        if told and not self.told:
            self.troubles.fine(self.kind, at_ns)


USUAL_NS = 600_000_000_000
"""A value seen within ten minutes is still usual: what flaps to and fro is told once. Our choice."""
_FLICKERS = 3
"""A value that came so often, though never for long, is one of the usual ones. Our choice."""
_LEARN_COUNT = 5
"""All that comes in the first five epochs is usual. Our choice."""
_VALUES_MOST = 16


class Habit:
    """Which values something usually has; a change is told when only others come for a while.

    usual: a value known to be usual beforehand; else the first epochs are learned from.
    """

    def __init__(self, count_least: int, least_ns: int, usual: Value | None = None) -> None:
        self._count_least = count_least
        self._least_ns = least_ns
        self._usual: dict[Value, int] = {}
        self._flickers: Counter[Value] = Counter()
        self._last: Value | None = None
        self._run: list[Value] = []
        self._learn = _LEARN_COUNT
        if usual is not None:
            self._usual[usual] = 0
            self._last = usual
            self._learn = 0
        self._count = 0
        self._first_ns = 0

    def take(self, values: Collection[Value], at_ns: int) -> tuple[Value, Value, int] | None:
        """The values of one epoch, not empty. Gives (before, after, since when) where they have changed for good."""
        if not self._count and self._last is not None and len(values) == 1 and self._last in values:
            self._learn = max(0, self._learn - 1)
            self._usual[self._last] = at_ns  # so it mostly is
            return None
        if self._learn:
            self._learn -= 1
            self._adopt(values, at_ns)
            return None
        for value in [value for value, seen_ns in self._usual.items() if at_ns - seen_ns > USUAL_NS]:
            if value != self._last:
                del self._usual[value]
        if not self._usual.keys().isdisjoint(values):
            self._flickered()
            self._adopt(values, at_ns)
            return None
        if not self._count:
            self._first_ns = at_ns
        self._count += 1
        self._run = sorted(values, key=str)
        if self._count < self._count_least or at_ns - self._first_ns < self._least_ns:
            return None
        before, after = self._last, self._run[0]
        self._count = 0
        self._adopt(values, at_ns)
        return None if before is None else (before, after, self._first_ns)

    def _flickered(self) -> None:
        if not self._count:
            return
        self._count = 0
        self._flickers.update(self._run)
        if len(self._flickers) > _VALUES_MOST:
            self._flickers.clear()
        for value in [value for value in self._run if self._flickers[value] >= _FLICKERS]:
            del self._flickers[value]
            self._usual[value] = self._first_ns

    def _adopt(self, values: Collection[Value], at_ns: int) -> None:
        known = [value for value in values if value in self._usual]
        self._last = min(known or values, key=str)
        for value in values:
            self._usual[value] = at_ns
        while len(self._usual) > _VALUES_MOST:
            del self._usual[min(self._usual, key=self._usual.__getitem__)]
