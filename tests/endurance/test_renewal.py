"""Other needs, so another watch, while the card is in trouble and the box stops: what was ordered for the next watch
stands in that one or nowhere."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from appliance.history.job import Job
from appliance.history.reader import History
from appliance.history.rows import MarkRow, WatchStart
from appliance.tap.keeper import Keeper

S = 1_000_000_000
START = WatchStart(0, 1_777_886_000 * S, "any", "", "Tractor 3", "0")
PATIENCE_S = 60.0


@pytest.fixture
def disk(load: Callable[[str], ModuleType]) -> Any:
    module = load("disk")
    with module.between(module.Disk("history.db", keeps=False)) as disk:
        yield disk


def until(what: Callable[[], object]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < end
        time.sleep(0.005)


def stopped_in_a_renewal(path: Path, disk: Any, full: int, failures_after_stop: int) -> list[str]:
    """A card that is full as the watch is renewed, and for so many tries after the stop; what was said of the job."""
    keeper, said = Keeper(path, START, clock=lambda: 0), list[str]()  # a clock that stands: no commit by itself
    keeper.start()
    until(lambda: keeper.watch_id)
    keeper.mark(MarkRow(5 * S, "page", "in the first"))
    until(keeper._orders.empty)
    left = [failures_after_stop]

    def meets(what: str, _name: str, _size: int) -> int:
        stopping = keeper._stopping.is_set()
        if what != "write" or (stopping and left[0] <= 0):
            return 0
        left[0] -= stopping
        return full

    disk.meets = meets
    keeper.renew(6 * S, replace(START, started_ns=6 * S, needs_name="other"))
    keeper.mark(MarkRow(7 * S, "page", "in the second"))
    keeper.job(None, Job(machine="in the second"), 7 * S, said.append)
    until(lambda: "cannot be written" in keeper.says)
    assert keeper.stop(9 * S, PATIENCE_S)
    disk.meets = lambda _what, _name, _size: 0
    return said


def test_a_card_that_is_well_again_at_the_stop_gets_both_watches(
    tmp_path: Path, disk: Any, load: Callable[[str], ModuleType]
) -> None:
    path = tmp_path / "history.db"
    assert stopped_in_a_renewal(path, disk, load("disk").FULL, 0) == [""]
    with History(path) as history:
        told = [(one.needs_name, one.ended_ns, notes(history, one.id)) for one in history.watches()]
        given = history.job(2)
    assert told == [("other", 9 * S, ["in the second"]), ("any", 6 * S, ["in the first"])]
    assert given is not None
    assert given.job.machine == "in the second"


@pytest.mark.parametrize("failures", [1, 2])
def test_nothing_of_the_next_watch_is_put_into_the_one_before(
    tmp_path: Path, disk: Any, load: Callable[[str], ModuleType], failures: int
) -> None:
    """The card is well again just after the last try: as the watch is ended, or as the file is let go."""
    path = tmp_path / "history.db"
    (says,) = stopped_in_a_renewal(path, disk, load("disk").FULL, failures)
    with History(path) as history:
        told = [(one.needs_name, notes(history, one.id), history.job(one.id)) for one in history.watches()]
        ended_ns = history.watch(1).ended_ns
    assert told == [("any", ["in the first"], None)]
    assert ended_ns == 6 * S
    assert "No watch has begun" in says


def notes(history: History, watch: int) -> list[str]:
    return [mark.note for mark in history.marks(watch)]
