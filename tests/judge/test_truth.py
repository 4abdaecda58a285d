"""Troubles as checks: what lasts, what ended between two looks, what only warns, and what is not asked."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from appliance.judge import needs
from appliance.judge.check import Check
from appliance.judge.faults import Faults
from appliance.judge.truth import TRUTH_IDS, WARN_IDS, asked, fine, truth
from appliance.judge.verdict import Verdict
from appliance.measure.claims import Letters, contradiction
from appliance.measure.trouble import Troubles

USUAL = needs.load("rate-section")
S = 1_000_000_000


def look(troubles: Troubles, now_ns: int, kinds: list[str] | None = None) -> dict[str, Check]:
    kinds = asked(USUAL) if kinds is None else kinds
    odd = {check.id: check for check in truth(troubles, kinds, now_ns)}
    return odd | {check.id: check for check in fine(troubles.fine_ns, kinds, odd)}


def test_what_was_never_asked_of_the_line_is_unknown_and_what_was_passes() -> None:
    troubles = Troubles()
    troubles.fine("clock-stopped", 3 * S)
    found = look(troubles, 4 * S)
    assert set(found) == TRUTH_IDS
    assert (found["clock-stopped"].state, found["clock-stopped"].at_ns) == ("pass", 3 * S)
    assert found["position-jump"].state == "unknown"


def test_what_lasts_fails_since_its_start_with_its_newest_figures() -> None:
    troubles = Troubles()
    troubles.lasts("clock-stopped", 2 * S, 1.0)
    troubles.lasts("clock-stopped", 3 * S, 4.0)
    check = look(troubles, 6 * S)["clock-stopped"]
    assert (check.state, check.at_ns, check.over_ns, check.measured) == ("fail", 2 * S, None, 4.0)
    assert check.says == "The receiver's time has stood still for 4.0 s, while sentences came."
    troubles.fine("clock-stopped", 7 * S)
    ended = look(troubles, 8 * S)["clock-stopped"]
    assert (ended.state, ended.over_ns) == ("fail", 7 * S)
    assert look(troubles, 9 * S)["clock-stopped"].state == "pass"


def test_of_two_that_ended_between_looks_the_worse_is_told_over_both_spans() -> None:
    troubles = Troubles()
    troubles.once("position-jump", 2 * S, 3.0, needed=0.5)
    troubles.once("position-jump", 3 * S, 9.0, needed=0.5, note="fix-changed", figures={"before": 4, "after": 1})
    check = look(troubles, 4 * S)["position-jump"]
    assert (check.measured, check.at_ns, check.over_ns) == (9.0, 2 * S, 3 * S)
    assert check.says == ("The position jumped by 9.0 m where the fix changed from quality 4 to 1; these allow 0.5 m.")


def test_a_warning_is_a_fault_of_the_watch_and_no_reason_for_a_no_go() -> None:
    troubles, verdict, faults = Troubles(), Verdict(0.0, 0), Faults("from-receiver")
    troubles.once("base-moved", 2 * S, figures={"before": "0131", "after": "0132"})
    checks = list(look(troubles, 3 * S).values())
    verdict.take(checks, 3 * S)
    opened, _ = faults.take(checks, 3 * S)
    assert verdict.state == "go"
    assert [(fault.kind, fault.warning) for fault in opened] == [("base-moved", True)]
    assert opened[0].as_check().state == "warn"


def test_a_jump_makes_a_no_go_until_a_clean_run_has_passed() -> None:
    troubles, verdict = Troubles(), Verdict(10.0, 0)
    troubles.once("position-jump", 20 * S, 3.0, needed=0.5)
    states = []
    for at_s in (20, 29, 31):
        verdict.take(list(look(troubles, at_s * S).values()), at_s * S)
        states.append(verdict.state)
    assert states == ["no-go", "no-go", "go"]


@pytest.mark.parametrize(
    ("group", "out", "stays"),
    [("truth_motion", "position-jump", "late"), ("truth_clock", "late", "base-moved"),
     ("truth_fix", "base-moved", "position-jump")],
)  # fmt: skip
def test_a_sheet_leaves_out_what_it_does_not_ask(group: str, out: str, stays: str) -> None:
    kinds = asked(replace(USUAL, **{group: False}))  # type: ignore[arg-type]
    assert out not in kinds
    assert stays in kinds


def test_the_sheet_for_anything_alive_asks_for_no_truth() -> None:
    assert asked(needs.load("alive")) == []


def test_what_warns_is_the_lesser_part() -> None:
    assert {"position-frozen", "clock-jump", "simulated"}.isdisjoint(WARN_IDS)
    assert {"corrections-aging", "base-moved", "geoid-changed"} <= WARN_IDS


def test_every_contradiction_has_a_sentence_made_of_what_was_said() -> None:
    """Before NMEA 0183 v2.3 RMC tells no mode: a sentence must not ask for one."""
    modes = (None, *"ADEFMNPRS")
    for said in product(("A", "V", None), modes, (None, *range(10))):
        found = contradiction(Letters("RMC", *said[:2]), said[2])
        if found is not None:
            assert Check("status-contradicts", "", "fail", note=found[0], figures=found[1]).says.endswith("."), said
