"""The bench of the whole chain: it counts as it says, goes on where it was, and slices of it keep to the aims."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from appliance.judge.words import SAYS
from appliance.simulate.faults import FAULTS

SEED = 60


@pytest.fixture
def bench(program: Callable[[str], ModuleType]) -> ModuleType:
    return program("faults")


def given(bench: ModuleType, *words: str) -> Any:
    return bench.asked().parse_args(words)


def test_every_fault_has_a_case_and_every_case_something_that_tells_of_it(bench: ModuleType) -> None:
    drives = bench.cases.DRIVES
    assert set(FAULTS) <= {*drives, *(plan.fault for plan in drives.values())}
    assert set(bench.faults_cases.TELLS) == set(drives) - {bench.faults_cases.HEALTHY}
    assert set(bench.faults_cases.WIRE_TELLS) == set(bench.cases.WIRES)
    told = {*bench.faults_cases.TELLS.values(), *bench.faults_cases.WIRE_TELLS.values()}
    assert {kind for kinds in told for kind in kinds} <= set(SAYS)
    alone = [job.name for job in bench.jobs(given(bench, "alone", "--seeds", "1"))]
    assert len(alone) == len(set(alone)) >= 60


def test_it_goes_on_where_it_was(bench: ModuleType, tmp_path: Path) -> None:
    """What is kept is not run again; a line that was cut off, or was made by other code, is."""
    kept = tmp_path / "kept.jsonl"
    ran: list[Any] = []
    job = bench.Job("nothing", "", 7)
    old = {**job._asdict(), "told": ["x"], "code": "other"}
    kept.write_text(json.dumps(old) + "\n" + '{"part": "noth')
    list(bench.results([job], bench.run, kept, 1, ran.append))
    assert len(ran) == 1
    first = [row for row in map(_read, kept.read_text().splitlines()) if row and row["code"] != "other"]
    again = list(bench.results([job], bench.run, kept, 1, ran.append))
    assert len(ran) == 1
    assert again == first


def _read(line: str) -> Any:
    try:
        return json.loads(line)
    except ValueError:
        return None


def test_false_found_and_delay_are_counted_as_they_stand(bench: ModuleType) -> None:
    told = [(3.0, "gap", False), (4.0, "silent", True), (12.0, "noise", False), (20.0, "late", False)]
    outcome = bench.causes.Outcome("x", 1, ("noise", "contact"), [{"id": "contact", "weight": 0.7}], [], told)
    row = bench._row(outcome, [(10.0, 15.0)], [("noise",), ("silent",), ("no-fix",)])
    assert row["found"] == [True, True, False]
    assert row["delay_s"] == [2.0, 0.0, None]
    assert row["false"] == ["gap"]  # not what only warns, nor what comes soon after
    assert row["truth"] in row["right"]


def test_the_tables_judge_by_the_aims(bench: ModuleType, capsys: pytest.CaptureFixture[str]) -> None:
    row = {
        "part": "alone", "name": "a", "seed": 1, "found": [True], "delay_s": [1.0], "false": [], "right": ["noise"],
        "truth": "noise", "log": [["noise", 0.9]], "live": [["noise", 0.7]], "told": ["noise"],
    }  # fmt: skip
    assert bench.faults_tables.printed([row])
    assert "found 100.0%" in capsys.readouterr().out
    assert not bench.faults_tables.printed([row, row | {"found": [False]}])
    assert not bench.faults_tables.printed([row, row | {"live": [["contact", 0.9], ["noise", 0.1]]}])
    assert "0.80 to 0.95             3     90%     67%" in capsys.readouterr().out
    healthy = {"part": "healthy", "no_go": [], "warned": []}
    assert bench.faults_tables.printed([healthy])
    assert not bench.faults_tables.printed([healthy | {"no_go": [[1, "gap", "x"]], "seed": 1}])


@pytest.mark.slow
def test_a_slice_of_spells_and_pairs(bench: ModuleType) -> None:
    names = bench.faults_cases.IN_SPELLS[::8]
    rows = [bench.run(bench.Job("spells", name, SEED)) for name in names]
    assert all(all(row["found"]) for row in rows), [(row["told"]) for row in rows]
    assert not [row["false"] for row in rows if row["false"]]
    pairs = [bench.run(bench.Job("pairs", str(number), SEED)) for number in range(4)]
    assert all(any(row["found"]) for row in pairs)
