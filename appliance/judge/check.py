"""A check: one rule of the needs, with what was measured and what was needed."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from appliance.judge.truth_words import VARIANTS
from appliance.judge.words import SAYS, figure

State = Literal["pass", "warn", "fail", "unknown"]


_NO_FIGURES: Mapping[str, float | str] = {}


@dataclass(slots=True, init=False)
class Check:
    """The outcome of one rule at one look. "warn" is shown and kept like a failure, but is no reason for a no-go.

    message: the sentence type it is about, or "". at_ns: failing since; or passing since, as far as the line told.
    over_ns: for a failing check whose cause has already ended (a gap that was closed), when it ended.
    note: what else was found, for the sentence; figures: further ones, by the names that the sentence gives them.
    told: the sentence itself, where it was already made. (Some sixty are made at every look, nearly all without
    figures: so these share one empty table.)
    """

    id: str
    message: str
    state: State
    measured: float | None
    needed: float | None
    at_ns: int
    over_ns: int | None
    note: str
    told: str
    figures: Mapping[str, float | str]

    def __init__(  # noqa: PLR0917
        self, id: str, message: str, state: State, measured: float | None = None, needed: float | None = None,
        at_ns: int = 0, over_ns: int | None = None, note: str = "", told: str = "",
        figures: Mapping[str, float | str] = _NO_FIGURES,
    ) -> None:  # fmt: skip
        self.id = id
        self.message = message
        self.state = state
        self.measured = measured
        self.needed = needed
        self.at_ns = at_ns
        self.over_ns = over_ns
        self.note = note
        self.told = told
        self.figures = figures

    @property
    def unit(self) -> str:
        """Unit of measured and needed; a ratio is given as such and shown in per cent."""
        return "ratio" if SAYS[self.id].unit == "%" else SAYS[self.id].unit

    @property
    def says(self) -> str:
        """The outcome in a plain sentence."""
        if self.told:
            return self.told
        says = SAYS[self.id]
        failing = VARIANTS.get((self.id, self.note), says.failing)
        template = {"fail": failing, "warn": failing, "pass": says.passing, "unknown": says.unknown}[self.state]
        needed = "none" if says.unit == "sentences" and self.needed == 0 else figure(self.needed, says)
        told = {"message": self.message, "m": figure(self.measured, says), "n": needed}
        return template.format_map({**self.figures, **told, "note": self.note})


class Checks(Collection[Check]):
    """The checks of one look, in order. odd: those that do not pass, which come first.

    passing: makes the others. At most looks nobody reads them: so they are made when somebody does.
    """

    __slots__ = ("_every", "_passing", "odd")

    def __init__(self, odd: list[Check], passing: Callable[[], list[Check]]) -> None:
        self.odd = odd
        self._passing = passing
        self._every: list[Check] | None = None

    @property
    def every(self) -> list[Check]:
        """All of them."""
        if self._every is None:
            self._every = self.odd + self._passing()
        return self._every

    def __iter__(self) -> Iterator[Check]:
        return iter(self.every)

    def __len__(self) -> int:
        return len(self.every)

    def __bool__(self) -> bool:
        return bool(self.odd) or bool(self.every)

    def __contains__(self, check: object) -> bool:
        return check in self.every

    def __repr__(self) -> str:
        return repr(self.every)


def odd_of(checks: Collection[Check]) -> list[Check]:
    """Those that do not pass, in their order."""
    return checks.odd if isinstance(checks, Checks) else [check for check in checks if check.state != "pass"]
