"""A row of the table of speed."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True, frozen=True)
class Row:
    """One figure. rival: what it is compared with, measured in the same run; goal: "" where none was set.

    kept: whether the goal is kept, None where there is none.
    """

    what: str
    figure: str
    rival: str = ""
    goal: str = ""
    kept: bool | None = None

    def cells(self) -> tuple[str, str, str, str]:
        word = {True: ": kept", False: ": **missed**", None: ""}[self.kept]
        return self.what, self.figure, self.rival, f"{self.goal}{word}"
