"""Findings in time: a fault opens when a check fails and closes when it passes again."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from appliance.judge.check import Check, State, odd_of
from appliance.judge.words import SAYS


@dataclass(slots=True)
class Fault:
    """A finding with a start and an end on the monotonic clock; end_ns is None while it lasts.

    measured: the worst figure so far, which `says` tells.
    """

    kind: str
    line: str
    message: str
    start_ns: int
    end_ns: int | None
    says: str
    measured: float | None
    needed: float | None
    unit: str

    @property
    def warning(self) -> bool:
        """Whether this kind only warns: no reason for a no-go."""
        return SAYS[self.kind].warns

    @property
    def key(self) -> str:
        """Names the fault among all of a watch."""
        return f"{self.line} {self.kind} {self.message} {self.start_ns}"

    def worse_than(self, measured: float | None) -> bool:
        """Whether this fault's worst figure is worse than another of the same kind."""
        return _worse(self.kind, self.measured, measured)

    def as_check(self) -> Check:
        """The check at its worst."""
        state: State = "warn" if self.warning else "fail"
        return Check(
            self.kind, self.message, state, self.measured, self.needed, self.start_ns, self.end_ns, told=self.says
        )


SMALLER_IS_WORSE = frozenset(
    {"rate-low", "satellites-few", "decimals-few", "satellites-falling", "decimals-changed", "decimals-padded"}
)


class Faults:
    """Opens and closes the faults of one line from its successive checks.

    closed_count: of those that are over. They themselves are given once, by the look that closed them, for history.
    """

    def __init__(self, line: str) -> None:
        self.line = line
        self.closed_count = 0
        self._open: dict[tuple[str, str], Fault] = {}
        self._over_ns: dict[tuple[str, str], int] = {}
        self._free_ns: dict[tuple[str, str], int] = {}

    @property
    def open(self) -> list[Fault]:
        """The faults that last, in order of their start."""
        return sorted(self._open.values(), key=lambda fault: fault.start_ns)

    def take(self, checks: Collection[Check], now_ns: int) -> tuple[list[Fault], list[Fault]]:
        """Takes the checks of one look; gives the faults that opened and those that closed by it."""
        opened: list[Fault] = []
        closed: list[Fault] = []
        if not self._open:  # then nothing can close
            checks = [check for check in odd_of(checks) if check.state in ("fail", "warn")]
        for check in checks:
            failing = check.state in ("fail", "warn")
            key = (check.id, check.message)
            fault = self._open.get(key)
            if failing:
                if fault is not None and key in self._over_ns and check.at_ns > self._over_ns[key]:
                    closed.append(self._close(key, self._over_ns.pop(key)))  # one ended, the next began, unseen
                    fault = None
                if fault is None:
                    fault = self._open[key] = self._begin(check)
                    opened.append(fault)
                elif _worse(check.id, check.measured, fault.measured):
                    fault.measured, fault.says = check.measured, check.says
                if check.over_ns is not None:
                    self._over_ns[key] = check.over_ns
                else:
                    self._over_ns.pop(key, None)
            elif fault is not None:
                passed_ns = check.at_ns if check.state == "pass" else now_ns
                closed.append(self._close(key, self._over_ns.pop(key, min(passed_ns, now_ns))))
        return opened, closed

    def _begin(self, check: Check) -> Fault:
        """Never before the end of the fault before it: what was told once is not told again."""
        start_ns = max(check.at_ns, self._free_ns.get((check.id, check.message), check.at_ns))
        return Fault(
            check.id, self.line, check.message, start_ns, None, check.says, check.measured, check.needed, check.unit
        )

    def _close(self, key: tuple[str, str], end_ns: int) -> Fault:
        fault = self._open.pop(key)
        fault.end_ns = max(end_ns, fault.start_ns)
        self._free_ns[key] = max(fault.end_ns, fault.start_ns + 1)
        self.closed_count += 1
        return fault


def _worse(kind: str, measured: float | None, than: float | None) -> bool:
    if measured is None or than is None:
        return False
    return measured < than if kind in SMALLER_IS_WORSE else measured > than
