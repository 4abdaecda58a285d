"""Taking a log out of a history from the command line: what is asked for, under which name, and what is refused."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from appliance import export
from appliance.export import ExportError, Wanted
from appliance.history.rows import HistoryError, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk
from appliance.take.forms import FORMS
from appliance.take.span import SpanError

SECOND = 1_000_000_000
UTC_NS = 1_777_886_000 * SECOND  # 2026-05-04T09:13:20Z
HOURS = 3
ROW = b"$GPHDT,74.20,T*34\r\n"  # published with this sum


@pytest.fixture
def history(tmp_path: Path) -> Path:
    """Two watches: three hours with a sentence a minute, then a short one."""
    path = tmp_path / "history.db"
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(0, UTC_NS, "alive", "", "Tractor 3", "0"))
        writer.date_watch(UTC_NS, 0.1)
        for minute in range(HOURS * 60):
            writer.add_chunk("from-receiver", Chunk(ROW, minute * 60 * SECOND, 1_000_000))
        writer.end_watch(HOURS * 3600 * SECOND)
        writer.begin_watch(WatchStart(HOURS * 3600 * SECOND, UTC_NS, "alive", "", "Tractor 3", "0"))
        writer.add_chunk("from-controller", Chunk(b"short", (HOURS * 3600 + 1) * SECOND, 1_000_000))
        writer.end_watch((HOURS * 3600 + 2) * SECOND)
    return path


def taken(path: Path, wanted: Wanted) -> tuple[bytes, list[int], int]:
    out = io.BytesIO()
    told: list[int] = []
    with export.opened(path, wanted) as leaving:
        leaving.write_to(out, told.append)
        return out.getvalue(), told, leaving.seconds


def test_the_whole_is_the_same_in_slices_and_progress_adds_up(history: Path) -> None:
    raw, told, seconds = taken(history, Wanted("raw", 1, "from-receiver", None, None))
    assert raw == ROW * (HOURS * 60)
    assert len(told) == HOURS * 6 + 1  # slices of ten minutes
    assert sum(told) == seconds == HOURS * 3600
    text, _, _ = taken(history, Wanted("text", 1, "from-receiver", None, None))
    assert text.count(ROW) == text.count(b"\\s:receiver,c:") == HOURS * 60


@pytest.mark.parametrize("form", ["seconds", "faults"])
def test_a_table_has_one_heading_however_long_it_is(history: Path, form: str) -> None:
    table, told, seconds = taken(history, Wanted(form, 1, "from-receiver", None, None))
    assert table.count(b"\r\n") == 1
    assert told == [seconds]


def test_a_span_and_the_latest_watch(history: Path) -> None:
    raw, _, _ = taken(history, Wanted("raw", 1, "from-receiver", "2026-05-04T09:20", "2026-05-04T09:30:00Z"))
    assert raw == ROW * 10
    raw, _, seconds = taken(history, Wanted("raw", None, "from-controller", None, None))
    assert (raw, seconds) == (b"short", 2)


def test_the_name_of_the_file(history: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with export.opened(history, Wanted("text", 1, "from-receiver", None, None)) as leaving:
        assert str(leaving.target(None)) == "linelamp-2026-05-04-tractor-3-0913-1213.nmea"
        assert leaving.target(tmp_path) == tmp_path / "linelamp-2026-05-04-tractor-3-0913-1213.nmea"
        mine = tmp_path / "mine"
        assert leaving.target(mine) == mine
        mine.write_text("kept")
        with pytest.raises(ExportError, match=r"mine is there already; give another name with --out"):
            leaving.target(mine)


def test_what_cannot_be_taken(history: Path, tmp_path: Path) -> None:
    asked = Wanted("raw", None, "from-receiver", None, None)
    for wanted, trouble, says in (
        (Wanted("pdf", None, "from-receiver", None, None), ExportError, "no form 'pdf'; there are text, raw"),
        (Wanted("raw", 99, "from-receiver", None, None), HistoryError, "99"),
        (Wanted("raw", 1, "from-receiver", "yesterday", None), SpanError, "Give the start"),
        (Wanted("raw", 1, "from-receiver", "2026-05-05T09:20", None), SpanError, "."),
    ):
        with pytest.raises(trouble, match=says):
            taken(history, wanted)
    with HistoryWriter(tmp_path / "bare.db"):
        pass
    with pytest.raises(ExportError, match=r"bare\.db holds no watch yet"):
        taken(tmp_path / "bare.db", asked)
    with pytest.raises(HistoryError, match=r"none\.db"):
        taken(tmp_path / "none.db", asked)


def test_the_forms_are_listed() -> None:
    rows = export.forms_in_words().splitlines()
    assert [row.split()[0] for row in rows] == list(FORMS)
