"""The bench of the wire, over a slice of its lines: spread over settings and faults, it keeps to its aim."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from types import ModuleType

import pytest

LINES = 60
STEP = 17  # no multiple of the bench's own turns, so that each setting and fault has its turn


@pytest.fixture
def bench() -> Iterator[ModuleType]:
    spec = importlib.util.spec_from_file_location("bench_wire", Path(__file__).with_name("wire.py"))
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules["bench_wire"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    yield module
    del sys.modules["bench_wire"]


@pytest.mark.slow
@pytest.mark.timeout(900)  # a minute, but several where each row of the code is counted
def test_the_slice_is_named_right(bench: ModuleType) -> None:
    settings, faults, said_of_healthy, tuned = [], [], [], 0
    for case in islice(bench.cases(LINES * STEP), 0, None, STEP):
        outcome = bench.run(case)
        if case.name in ("baud-wrong", "format-wrong"):
            settings.append(bench.alike(outcome.setting, case.setting, case.marks))
        elif case.name:
            wire = [id_ for id_ in outcome.said if id_ in bench.WIRE]
            faults.append(wire[:1] == [case.name])
        else:
            said_of_healthy += outcome.said
            tuned += outcome.tuned
    assert len(settings) + len(faults) > LINES // 2
    assert (said_of_healthy, tuned) == ([], 0)
    assert settings.count(False) <= 1  # of about twenty; a line at 460,800 with sparse traffic may need more than 5 s
    assert sum(faults) >= 0.9 * len(faults)
