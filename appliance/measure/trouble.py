"""What is wrong with what a line says: troubles, each of a kind, with its span and its figures.

A trouble that lasts is told from its start to its end; one of an instant (a jump) begins and ends at once. Whoever
judges takes, at each look, what lasts and what ended since the look before: so nothing slips between two looks, and
every detector speaks the same way, whatever it measures.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

_ENDED_MOST = 200
"""Ended troubles kept between two looks. Our choice: a look comes five times a second."""

Figures = Mapping[str, float | str]


@dataclass(slots=True)
class Trouble:
    """One thing wrong. until_ns: None while it lasts.

    measured and needed are in the unit that the judge's words give for this kind. note: which of the kind's further
    words apply; figures: what those words tell, by name.
    """

    kind: str
    since_ns: int
    until_ns: int | None = None
    measured: float | None = None
    needed: float | None = None
    note: str = ""
    figures: Figures = field(default_factory=dict)


class Troubles:
    """The troubles of one line. Detectors report; the judge takes.

    fine_ns: when each kind was last asked and not there, or else first happened; none that was never asked is in it.
    """

    def __init__(self) -> None:
        self.lasting: dict[str, Trouble] = {}
        self._ended: list[Trouble] = []
        self.fine_ns: dict[str, int] = {}

    def fine(self, kind: str, at_ns: int) -> None:
        """This kind was asked of the line and is not there; one that lasted ends."""
        self.fine_ns[kind] = at_ns
        if kind in self.lasting:
            lasted = self.lasting.pop(kind)
            lasted.until_ns = max(at_ns, lasted.since_ns)
            self._keep(lasted)

    def lasts(
        self, kind: str, since_ns: int, measured: float | None = None, *, needed: float | None = None, note: str = "",
        figures: Figures | None = None,
    ) -> None:  # fmt: skip
        """This kind is there, since when; told again, its figures are the newer ones and its start stays."""
        lasting = self.lasting.get(kind)
        since_ns = lasting.since_ns if lasting else since_ns
        self.lasting[kind] = Trouble(kind, since_ns, None, measured, needed, note, figures or {})

    def once(
        self, kind: str, at_ns: int, measured: float | None = None, *, needed: float | None = None, note: str = "",
        figures: Figures | None = None, until_ns: int | None = None,
    ) -> None:  # fmt: skip
        """This kind happened, and is over: at an instant, or from at_ns until until_ns."""
        self.fine_ns.setdefault(kind, at_ns)
        self._keep(Trouble(kind, at_ns, at_ns if until_ns is None else until_ns, measured, needed, note, figures or {}))

    def take_ended(self) -> list[Trouble]:
        """Those that ended since this was last asked, in order (at most the last 200)."""
        ended, self._ended = self._ended, []
        return ended

    def _keep(self, trouble: Trouble) -> None:
        self._ended.append(trouble)
        del self._ended[:-_ENDED_MOST]
