"""Slices of what lines may do: hostile text, a plug that shakes, and all that two fast lines can carry."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

Program = Callable[[str], ModuleType]


@pytest.mark.slow
def test_hostile_lines_raise_nothing(program: Program) -> None:
    watch, _grown = program("hostile").run(4000, 3)  # it sees to it that every byte is in a frame or in junk
    assert watch.receiver.sentences > 200
    assert watch.receiver.errors.total > 1000


def test_hostile_lines_are_hostile(program: Program) -> None:
    hostile = program("hostile")
    found = list(hostile.lines(2000, 1))
    assert found == list(hostile.lines(2000, 1))
    assert hostile.summed(b"$GPHDT,74.20,T*00\r\n") == b"$GPHDT,74.20,T*34\r\n"
    assert len({line[:6] for line in found}) > 100


def test_a_plug_that_shakes(program: Program, tmp_path: Path) -> None:
    opened, _grown_kb, _rate = program("replug").run(tmp_path, 60)
    assert opened == 0


@pytest.mark.slow
def test_two_full_lines_at_460800_baud(program: Program, tmp_path: Path) -> None:
    came = program("full_line").run(tmp_path, 2.0)
    assert came.sent > 20_000
    assert came.kept + came.dropped == came.sent
