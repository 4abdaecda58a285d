"""A slice of the month, and that growth would be told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

from appliance.judge.faults import Faults

Program = Callable[[str], ModuleType]


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_hours_of_a_box_whose_page_is_looked_at(
    program: Program, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    month = program("month")
    monkeypatch.setattr(month, "VISIT_S", 3600)
    box = month.Month(tmp_path, 2, 3, 0.5)
    found = list(box.live())
    assert [sample.hour for sample in found] == [0.5, 1.0, 1.5, 2.0]
    assert box.faults > 0
    assert found[-1].history_bytes > 100_000
    assert {"tap.watch.controller.spans", "tap.watch.meters", "tap.recent"} <= found[-1].lengths.keys()
    assert [way for way in found[-1].lengths if way.startswith("page") and ".changed" in way]


def test_what_grows_is_told(program: Program) -> None:
    month = program("month")
    flat = month.Sample(1.0, 50_000, 40_000, Counter({"tap.some": 100, "tap.meters[]._bins": 100}), 0)
    assert month.grown([flat] * 8) == []
    more = Counter({"tap.some": 200, "tap.meters[]._bins": 1300, "tap.few": 30})
    assert month.grown([flat] * 7 + [replace(flat, lengths=more)]) == [
        "tap.some: 100 entries at most in the first quarter, 200 at the end"
    ]
    assert month.grown([flat] * 7 + [replace(flat, kb=60_000, page_kb=50_000)]) == [
        "resident memory of the tap: 50,000 kB, then 60,000 kB",
        "resident memory of the page: 40,000 kB, then 50,000 kB",
    ]


def test_the_walk_finds_what_a_box_holds(program: Program) -> None:
    containers = program("containers")
    faults = Faults("from-receiver")
    faults._free_ns["gap", "GGA"] = 1
    assert containers.lengths([faults], "box")["box[]._free_ns"] == 1
    assert "appliance.judge.words.SAYS" in containers.kept()
