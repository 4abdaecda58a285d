"""Telling a live picture from one left behind. Times are handed in; nothing waits."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from appliance.site.picture import PictureFile


class Clocks:
    """The box's clocks, moved by hand."""

    def __init__(self) -> None:
        self.wall_s = 1_777_886_000.0
        self.monotonic_s = 100.0

    def go(self, seconds: float) -> None:
        self.wall_s += seconds
        self.monotonic_s += seconds


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "picture.json"


@pytest.fixture
def file(path: Path, clocks: Clocks) -> PictureFile:
    return PictureFile(path, wall=lambda: clocks.wall_s, monotonic=lambda: clocks.monotonic_s)


@pytest.fixture
def write(path: Path, clocks: Clocks) -> Callable[[str], None]:
    def put(text: str) -> None:
        path.write_text(text)
        os.utime(path, (clocks.wall_s, clocks.wall_s))

    return put


def test_no_file_means_that_nobody_listens(file: PictureFile) -> None:
    sight = file.look()
    assert sight.picture is None
    assert "has not started" in sight.says


def test_a_picture_is_live_for_three_seconds(file: PictureFile, write: Callable[[str], None], clocks: Clocks) -> None:
    write('{"format": 1}')
    for _ in range(29):
        assert file.look().picture == {"format": 1}
        clocks.go(0.1)
    clocks.go(0.2)
    sight = file.look()
    assert sight.picture is None
    assert "has stopped" in sight.says


def test_a_picture_left_behind_long_ago_is_not_live_at_the_first_look(
    file: PictureFile, write: Callable[[str], None], clocks: Clocks
) -> None:
    write('{"format": 1}')
    clocks.go(60)
    assert file.look().picture is None


def test_a_picture_that_ended_while_nobody_looked_is_not_live(
    file: PictureFile, write: Callable[[str], None], clocks: Clocks
) -> None:
    write('{"format": 1}')
    assert file.look().picture
    clocks.go(60)
    write('{"format": 1, "at_utc": null}')
    clocks.go(60)
    assert file.look().picture is None


@pytest.mark.parametrize("jump_s", [86_400.0, -86_400.0])
def test_a_jump_of_the_clock_is_no_stop(
    file: PictureFile, write: Callable[[str], None], clocks: Clocks, jump_s: float
) -> None:
    for number in range(3):
        write(f'{{"format": 1, "number": {number}}}')
        assert file.look().picture
        clocks.go(0.2)
    clocks.wall_s += jump_s
    assert file.look().picture
    clocks.go(0.2)
    write('{"format": 1, "number": 3}')
    assert file.look().picture


@pytest.mark.parametrize("text", ["", "{", "[]", '{"format": 2}', "null"])
def test_a_picture_that_cannot_be_read_is_told_in_words(
    file: PictureFile, write: Callable[[str], None], text: str
) -> None:
    write(text)
    sight = file.look()
    assert sight.picture is None
    assert "do not understand each other" in sight.says
