"""A slice of the cuts of power, and that they would tell if a commit were not on the card."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_no_cut_loses_more_than_three_seconds_or_keeps_the_box_from_starting(
    load: Callable[[str], ModuleType], tmp_path: Path
) -> None:
    cuts = load("power_cuts")
    ops = cuts.record(tmp_path, 1, (5, 40))
    outcome = cuts.replay(ops, tmp_path, 100, 1)
    assert outcome.bad == []
    assert (outcome.cuts, outcome.starts) == (100, 400)
    assert outcome.lost_ns <= cuts.LOST_MOST_NS

    # The same without the flushes of the log, as with synchronous=NORMAL, or without those of the tail: it is seen.
    for name in ("history.db-wal", "history.db-tail"):
        lazy = [op for op in ops if (op.what, op.name) != ("sync", name)]
        outcome = cuts.replay(lazy, tmp_path, 40, 1)
        assert any("is lost" in one or "is not there" in one for one in outcome.bad)


def test_what_survives_a_cut(load: Callable[[str], ModuleType]) -> None:
    """The rules themselves, by hand: a flushed write lasts, of others each sector may, and lengths with them."""
    cuts, disk = load("power_cuts"), load("disk")
    file = cuts.File()
    file.pending += [disk.Op("create", "f"), disk.Op("write", "f", 0, b"a" * 600)]
    assert cuts.apply(None, cuts.survived(file.pending, "synced", cuts.random.Random(1))) is None
    file.settle()
    assert file.durable == b"a" * 600
    file.pending.append(disk.Op("write", "f", 300, b"b" * 600))
    found = {
        bytes(cuts.apply(bytearray(file.durable), cuts.survived(file.pending, "any", cuts.random.Random(seed))))
        for seed in range(60)
    }
    first, second = b"a" * 300 + b"b" * 212 + b"a" * 88, b"a" * 512 + b"b" * 388
    assert found == {b"a" * 600, first, second, b"a" * 300 + b"b" * 600}
    file.pending.append(disk.Op("delete", "f"))
    file.settle_name()
    assert (file.durable, file.pending) == (None, [])
