"""The bench of the wire, over a slice of its lines: spread over settings and faults, it keeps to its aim."""

from __future__ import annotations

from collections.abc import Callable
from itertools import islice
from types import ModuleType

import pytest

LINES = 60
STEP = 17  # no multiple of the bench's own turns, so that each setting and fault has its turn


@pytest.fixture
def bench(program: Callable[[str], ModuleType]) -> ModuleType:
    return program("wire")


@pytest.mark.slow
@pytest.mark.timeout(900)  # a minute, but several where each row of the code is counted
def test_the_slice_is_named_right(bench: ModuleType) -> None:
    settings, faults, said_of_healthy, tuned, late = [], [], [], 0, 0
    for case in islice(bench.lines_of.cases(LINES * STEP), 0, None, STEP):
        outcome = bench.run(case)
        if case.name in ("baud-wrong", "format-wrong"):
            settings.append(bench.alike(outcome.setting, case.setting, case.marks))
        elif case.name:
            faults.append(bench.told(case, outcome) == case.name)
        else:
            said_of_healthy += outcome.said
            tuned += outcome.tuned
            late += bench.late(outcome)
    assert len(settings) + len(faults) > LINES // 2
    assert (said_of_healthy, tuned, late) == ([], 0, 0)
    assert sum(settings) >= 0.95 * len(settings)  # a line at 460,800 with sparse traffic may need more than 5 s
    assert sum(faults) >= 0.9 * len(faults)


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_healthy_lines_of_every_kind_go_undisturbed(bench: ModuleType) -> None:
    for case in bench.lines_of.healthy_cases(24):
        outcome = bench.run(case)
        assert (outcome.said, outcome.tuned, bench.late(outcome)) == ([], 0, False), case


def test_what_the_box_lost_itself_is_right_only_where_the_line_is_not_blamed(bench: ModuleType) -> None:
    case = bench.Case("tap-overrun", 1, how="overrun of the queue")
    for said, name in (
        (["tap-overrun", "gap"], "tap-overrun"),
        (["tap-overrun", "contact-loss"], "contact-loss"),
        (["gap"], "gap"),
        ([], "nothing"),
    ):
        assert bench.told(case, bench.Outcome(said, None, None, None, 0)) == name
