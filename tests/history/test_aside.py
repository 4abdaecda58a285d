"""A damaged history: found at the start after a cut, or while it is written; set aside whole, with its log."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from appliance.history import aside
from appliance.history.aside import set_aside
from appliance.history.reader import History
from appliance.history.rows import HistoryDamaged, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter


def cut_off(path: Path, start: WatchStart, second: Callable[..., SecondRow]) -> None:
    """A history whose last watch never ended."""
    with HistoryWriter(path) as writer:
        writer.begin_watch(start)
        for n in range(300):
            writer.add_second(second(n * 10**9, messages={"GNGGA": n}))


def test_a_damaged_page_is_found_at_the_start_after_a_cut(
    path: Path, start: WatchStart, second: Callable[..., SecondRow]
) -> None:
    cut_off(path, start, second)
    raw = bytearray(path.read_bytes())
    for page in range(len(raw) // 1024 - 6, len(raw) // 1024):
        raw[page * 1024 : (page + 1) * 1024] = b"\xa5" * 1024
    path.write_bytes(raw)
    with HistoryWriter(path) as writer, pytest.raises(HistoryDamaged):
        writer.begin_watch(start)


def test_a_sound_history_is_not_held_for_damaged_though_the_time_to_look_is_over(
    path: Path, start: WatchStart, second: Callable[..., SecondRow], monkeypatch: pytest.MonkeyPatch
) -> None:
    cut_off(path, start, second)
    monkeypatch.setattr(aside, "CHECK_S", 0.0)
    monkeypatch.setattr(aside, "_STEPS", 1)
    with HistoryWriter(path) as writer:
        assert writer.begin_watch(start) == 2


def test_a_file_and_its_log_go_aside_together_and_read_as_before(
    path: Path, start: WatchStart, second: Callable[..., SecondRow]
) -> None:
    live = path.with_name("live.db")
    with HistoryWriter(live) as writer:
        writer.begin_watch(start)
        writer.add_second(second())
        writer.commit()
        for end in ("", "-wal"):  # as a cut leaves it: the rows are in the log alone
            path.with_name(path.name + end).write_bytes(live.with_name(live.name + end).read_bytes())
    assert set_aside(path).name == "history.db.damaged-1"
    assert not list(path.parent.glob("history.db-*"))
    with History(path.with_name("history.db.damaged-1")) as history:
        assert len(list(history.seconds(1))) == 1
    path.write_bytes(b"damaged once more")
    assert set_aside(path).name == "history.db.damaged-2"
    with pytest.raises(FileNotFoundError):
        set_aside(path)


def test_a_log_that_went_aside_alone_waits_for_its_file_and_is_never_overwritten(path: Path) -> None:
    alone = path.with_name("history.db.damaged-1-wal")
    alone.write_bytes(b"log of before")
    path.write_bytes(b"file")
    path.with_name("history.db-wal").write_bytes(b"log of now")
    assert set_aside(path).name == "history.db.damaged-2"
    assert alone.read_bytes() == b"log of before"
    path.write_bytes(b"its file")
    assert set_aside(path).name == "history.db.damaged-1"
