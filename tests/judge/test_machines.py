"""Verdict and faults through any sequence of looks, as machines of rules, each against a plain model.

The models know nothing of the program's own states: they keep all that was told and work out from the whole of it, by
the definitions of the words, what must hold now.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import pairwise

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from appliance.judge.check import Check, State
from appliance.judge.faults import SMALLER_IS_WORSE, Fault, Faults
from appliance.judge.verdict import OPTIONAL, Verdict
from tests.endurance.containers import lengths

pytestmark = pytest.mark.slow
SECOND = 1_000_000_000
STEP_NS = SECOND // 5
IDS = ("gap", "rate-low", "age-high", "noise")  # age-high may stay unknown; of a rate the smaller is the worse
STATES: tuple[State, ...] = ("pass", "pass", "pass", "fail", "fail", "warn", "unknown")
Key = tuple[str, str]


@dataclass(frozen=True)
class Told:
    """One check at one look, and when that was. before_ns: the look before it."""

    now_ns: int
    before_ns: int
    check: Check


@st.composite
def told_by(draw: st.DrawFn, id_: str) -> tuple[str, State, float | None, float, float | None]:
    """Of a check its state, figure, and where in the time since the look before it began and, perhaps, ended."""
    state = draw(st.sampled_from(STATES))
    began, ended = sorted((draw(st.floats(-3, 1)), draw(st.floats(-3, 1))))
    over = ended if state in ("fail", "warn") and draw(st.booleans()) else None
    return id_, state, draw(st.none() | st.floats(0, 100)), began, over


class Looks(RuleBasedStateMachine):
    """Looks, one after the other; a check may be left out, as one of the fix is where no sample came."""

    def __init__(self) -> None:
        super().__init__()
        self.now_ns = 100 * SECOND
        self.started_ns = self.now_ns
        self.told: list[list[Told]] = []
        self.looked_ns: list[int] = []

    def checks(self, told: list[tuple[str, State, float | None, float, float | None]], steps: int) -> list[Check]:
        before_ns, self.now_ns = self.now_ns, self.now_ns + steps * STEP_NS
        found = []
        for id_, state, measured, began, over in told:
            at_ns = self.now_ns - round((1 - began) * STEP_NS)
            over_ns = None if over is None else self.now_ns - round((1 - over) * STEP_NS)
            found.append(Check(id_, "GGA", state, measured, 1.0, at_ns, over_ns, "x"))
        self.looked_ns.append(self.now_ns)
        self.told.append([Told(self.now_ns, before_ns, check) for check in found])
        return found


LOOK = st.tuples(*(st.none() | told_by(id_) for id_ in IDS)).map(lambda row: [one for one in row if one is not None])
FINE = st.just([(id_, "pass", None, 0.0, None) for id_ in IDS])


class Verdicts(Looks):
    """The verdict: go only after a clean run, no-go whenever something fails and from then on until a go."""

    @initialize(clean_run_s=st.sampled_from([0.0, 0.5, 1.0]))
    def begin(self, clean_run_s: float) -> None:
        self.clean_run_s = clean_run_s
        self.verdict = Verdict(clean_run_s, self.started_ns)
        self.state, self.since_ns = "wait", self.started_ns

    @rule(told=LOOK | FINE, steps=st.integers(1, 3))
    def look(self, told: list[tuple[str, State, float | None, float, float | None]], steps: int) -> None:
        self._take(self.checks(told, steps))

    @rule(looks=st.integers(1, 8))
    def all_is_well(self, looks: int) -> None:
        for _ in range(looks):
            self._take(self.checks([(id_, "pass", None, 0.0, None) for id_ in IDS], 1))

    def _take(self, checks: list[Check]) -> None:
        turned = self.verdict.take(checks, self.now_ns)
        state = self._expected(checks)
        assert turned == (state != self.state)
        if turned:
            self.state, self.since_ns = state, self.now_ns

    def _expected(self, checks: list[Check]) -> str:
        states = {check.id: check.state for check in checks}
        if "fail" in states.values():
            return "no-go"
        known = all(state != "unknown" or id_ in OPTIONAL for id_, state in states.items())
        if checks and known and self.now_ns - self._failed_last_ns() >= self.clean_run_s * SECOND:
            return "go"
        return "no-go" if self.state == "no-go" else "wait"

    def _failed_last_ns(self) -> int:
        """The last moment at which something may have failed, from all that was told."""
        last_ns = self.started_ns
        looked_ns = [*self.looked_ns[1:], self.now_ns]
        for (look, following), next_ns in zip(pairwise([*self.told, []]), looked_ns, strict=False):
            still = {one.check.id for one in following if one.check.state == "fail"}
            for one in look:
                if one.check.state == "fail":
                    ends_ns = one.check.over_ns
                    if ends_ns is None:  # it was over at some moment before the next look, if that did not tell it
                        ends_ns = one.now_ns if one.check.id in still else next_ns
                    last_ns = max(last_ns, ends_ns)
        return last_ns

    @invariant()
    def it_is_as_the_whole_past_says(self) -> None:
        if not hasattr(self, "verdict"):
            return
        assert (self.verdict.state, self.verdict.since_ns) == (self.state, self.since_ns)
        assert self.verdict.clean_since_ns == self._failed_last_ns()
        checks = [one.check for one in self.told[-1]] if self.told else []
        assert self.verdict.says(checks, self.now_ns)
        if self.verdict.state == "go":
            assert not any(check.state == "fail" for check in checks)
            assert self.verdict.clean_s(self.now_ns) >= self.clean_run_s


class FaultsOfLooks(Looks):
    """Faults: of each check the runs of failing looks, cut where one told its end and the next a later start."""

    def __init__(self) -> None:
        super().__init__()
        self.faults = Faults("from-receiver")
        self.seen: list[Fault] = []

    @rule(told=LOOK, steps=st.integers(1, 3))
    def look(self, told: list[tuple[str, State, float | None, float, float | None]], steps: int) -> None:
        opened, closed = self.faults.take(self.checks(told, steps), self.now_ns)
        self.seen += opened
        assert all(fault.end_ns is not None for fault in closed)

    @invariant()
    def they_are_the_runs_of_what_was_told(self) -> None:
        by_key: dict[str, list[Told]] = defaultdict(list)
        for one in (one for look in self.told for one in look):
            by_key[one.check.id].append(one)
        expected = [fault for id_, told in by_key.items() for fault in self._runs(id_, told)]
        found = [(fault.kind, fault.start_ns, fault.end_ns, fault.measured) for fault in self.seen]
        assert sorted(found, key=str) == sorted(expected, key=str)
        lasting = {(kind, start_ns) for kind, start_ns, end_ns, _ in expected if end_ns is None}
        assert {(fault.kind, fault.start_ns) for fault in self.faults.open} == lasting
        assert self.faults.closed_count == len(expected) - len(lasting)
        assert set(self.faults._over_ns) <= set(self.faults._open)
        assert len(self.faults._free_ns) <= len(IDS)
        assert len({fault.key for fault in self.seen}) == len(self.seen)

    @staticmethod
    def _runs(id_: str, told: list[Told]) -> list[tuple[str, int, int | None, float | None]]:
        runs: list[list[Told]] = []
        for before, one in pairwise([None, *told]):
            assert one is not None
            if one.check.state not in ("fail", "warn"):
                continue
            earlier = before.check if before is not None else None
            lasting = earlier is not None and earlier.state in ("fail", "warn")
            ended_ns = earlier.over_ns if earlier is not None else None
            if lasting and (ended_ns is None or one.check.at_ns <= ended_ns):
                runs[-1].append(one)
            else:
                runs.append([one])
        found: list[tuple[str, int, int | None, float | None]] = []
        free_ns = 0
        for run in runs:
            start_ns = max(run[0].check.at_ns, free_ns)
            following = told[told.index(run[-1]) + 1 :]
            end_ns = run[-1].check.over_ns
            if not following:
                end_ns = None
            elif end_ns is None:
                after = following[0]
                passed_ns = after.check.at_ns if after.check.state == "pass" else after.now_ns
                end_ns = min(passed_ns, after.now_ns)
            if end_ns is not None:
                end_ns = max(end_ns, start_ns)
                free_ns = max(end_ns, start_ns + 1)
            found.append((id_, start_ns, end_ns, _worst(id_, [one.check.measured for one in run])))
        return found


def _worst(id_: str, measured: list[float | None]) -> float | None:
    """Of a run: where the first has no figure, none is compared with it."""
    if measured[0] is None:
        return None
    known = [one for one in measured if one is not None]
    return min(known) if id_ in SMALLER_IS_WORSE else max(known)


def test_a_line_that_flaps_for_days_fills_no_memory() -> None:
    faults = Faults("from-receiver")
    for number in range(12_000):
        state: State = "fail" if number % 2 == 0 else "pass"
        faults.take([Check("gap", "GGA", state, 1.0, 0.6, number * STEP_NS)], number * STEP_NS)
    assert faults.closed_count == 6000
    assert lengths(faults, "faults").total() <= 6  # what was found is history's; of each check a time stays


TestVerdicts = Verdicts.TestCase
TestFaults = FaultsOfLooks.TestCase
TestVerdicts.settings = TestFaults.settings = settings(max_examples=40, stateful_step_count=15, deadline=None)
