"""Go, no-go or wait: one table of states.

No-go as soon as a check fails. Go only after a clean run: every check known and passing for as long as the needs ask.
What was a no-go stays one until then. Wait is the state before enough was heard.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal

from appliance.judge.check import Check, odd_of
from appliance.judge.truth import TRUTH_IDS

State = Literal["go", "no-go", "wait"]
Signal = Literal["failing", "clean", "unsure"]

NEXT: dict[tuple[State, Signal], State] = {
    ("wait", "failing"): "no-go",
    ("wait", "clean"): "go",
    ("wait", "unsure"): "wait",
    ("go", "failing"): "no-go",
    ("go", "clean"): "go",
    ("go", "unsure"): "wait",
    ("no-go", "failing"): "no-go",
    ("no-go", "clean"): "go",
    ("no-go", "unsure"): "no-go",
}

OPTIONAL = TRUTH_IDS | {"age-high", "silent", "load-high", "satellites-few", "hdop-high", "quality-not-accepted"}
"""Checks that may stay unknown without holding back a go: the receiver may leave the figure out, or the recording."""


class Verdict:
    """Follows the verdict over successive looks. since_ns: of the state; clean_since_ns: of the clean run."""

    def __init__(self, clean_run_s: float, started_ns: int) -> None:
        self.state: State = "wait"
        self.since_ns = started_ns
        self.clean_since_ns = started_ns
        self.clean_run_s = clean_run_s
        self._failed: Check | None = None
        self._lasting: set[tuple[str, str]] = set()

    def take(self, checks: Collection[Check], now_ns: int) -> bool:
        """Takes the checks of one look; whether the state changed."""
        odd = odd_of(checks)
        failing = [check for check in odd if check.state == "fail"]
        if self._lasting and self._lasting - {(check.id, check.message) for check in failing}:
            self.clean_since_ns = now_ns  # what failed is over, since some moment after the last look
        self._lasting = {(check.id, check.message) for check in failing if check.over_ns is None}
        if failing:
            self._failed = failing[0]
            ended = max(now_ns if check.over_ns is None else check.over_ns for check in failing)
            self.clean_since_ns = max(self.clean_since_ns, ended)
        pending = any(check.state == "unknown" and check.id not in OPTIONAL for check in odd)
        clean = not pending and self.clean_s(now_ns) >= self.clean_run_s
        signal: Signal = "failing" if failing else "clean" if clean and checks else "unsure"
        state = NEXT[self.state, signal]
        if state == self.state:
            return False
        self.state, self.since_ns = state, now_ns
        return True

    def clean_s(self, now_ns: int) -> float:
        """How long nothing has failed."""
        return max(0.0, (now_ns - self.clean_since_ns) / 1e9)

    def says(self, checks: Collection[Check], now_ns: int) -> str:
        """The verdict in one plain sentence: the weightiest reason for a no-go, or what a wait waits for."""
        odd = odd_of(checks)
        failing = next((check for check in odd if check.state == "fail"), None)
        if failing is not None:
            return failing.says
        if self.state == "go":
            return "All that the controller needs is coming."
        run = f"a go needs a clean run, so far {self.clean_s(now_ns):.0f} of {self.clean_run_s:.0f} s."
        if self.state == "no-go" and self._failed is not None:
            return f"{self._failed.says} That is over; {run}"
        pending = next((c for c in odd if c.state == "unknown" and c.id not in OPTIONAL), None)
        return f"{pending.says} Listening: {run}" if pending else f"All checks pass; {run}"
