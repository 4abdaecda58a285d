"""The sheet and the comparison from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pypdfium2
import pytest
from click.testing import CliRunner

from appliance.cli import main
from appliance.history.rows import FaultRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.judge import needs

NS = 1_000_000_000
UTC_NS = 1_777_886_000 * NS  # 2026-05-04T09:13:20Z


@pytest.fixture
def history(tmp_path: Path) -> Path:
    """Two watches: 40 minutes with a fault every 100 s, then as long without. Invented."""
    path = tmp_path / "history.db"
    with HistoryWriter(path) as writer:
        for watch in (0, 1):
            writer.begin_watch(WatchStart(0, UTC_NS, "alive", needs.text("alive"), "Tractor 3", "0"))
            writer.date_watch(UTC_NS, 0.1)
            for n in range(2400):
                writer.add_second(
                    SecondRow("from-receiver", n * NS, 820, 12, 0, 0, 0.2, "go", speed_mps=2.0, messages={"GNGGA": 5})
                )
            for n in range(0 if watch else 6):
                at_ns = (100 + n * 400) * NS
                row = FaultRow("silent", "from-receiver", "", at_ns, at_ns + NS, "Silent.", 3.0, 2.0, "s")
                writer.close_fault(str(n), row)
            writer.end_watch(2400 * NS)
    return path


def run(*words: str | Path) -> tuple[int, str]:
    done = CliRunner().invoke(main, [str(word) for word in words])
    return done.exit_code, done.output


def test_a_sheet_is_written_once_and_called_after_its_watch(history: Path, tmp_path: Path) -> None:
    code, said = run("sheet", "--history", history, "--watch", "1", "--out", tmp_path)
    target = tmp_path / "linelamp-2026-05-04-tractor-3-0913-0953-sheet.pdf"
    assert (code, said.strip()) == (0, str(target))
    assert target.read_bytes().startswith(b"%PDF-")
    code, said = run("sheet", "--history", history, "--watch", "1", "--out", tmp_path)
    assert code == 2
    assert "is there already" in said


def test_a_sheet_is_written_in_the_language_asked_for(history: Path, tmp_path: Path) -> None:
    wanted = ("--history", history, "--watch", "1", "--out", tmp_path / "it.pdf", "--language")
    code, said = run("sheet", *wanted, "tlh")
    assert (code, said.strip()) == (2, "There is no language 'tlh'; there are en, de, es, fr, pt-BR.")
    assert run("sheet", *wanted, "de")[0] == 0
    with pypdfium2.PdfDocument(tmp_path / "it.pdf") as document:
        assert document[0].get_textpage().get_text_range().startswith("Inbetriebnahmeblatt")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--watch", "7"), "There is no watch 7"),
        (("--from", "noon"), "Give the start as a date"),
        (("--to", "2020-01-01T00:00", "--from", "2019-01-01T00:00"), "nothing lies in that span"),
    ],
)
def test_what_cannot_be_made_is_told(history: Path, words: tuple[str, ...], says: str) -> None:
    code, said = run("sheet", "--history", history, *words)
    assert code == 2
    assert says in said


def test_a_watch_too_short_is_told_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(0, UTC_NS, "mine", needs.text("rate-section"), "Tractor 3", "0"))
        writer.end_watch(10 * NS)
    code, said = run("sheet", "--history", path, "--out", tmp_path)
    assert code == 2
    assert "asks for 5 min without a fault" in said
    assert "--anyway" in said
    assert list(tmp_path.glob("*.pdf")) == []
    assert run("sheet", "--history", path, "--out", tmp_path, "--anyway")[0] == 0
    assert len(list(tmp_path.glob("*.pdf"))) == 1


def test_two_watches_are_compared(history: Path) -> None:
    code, said = run("compare", "1", "2", "--history", history, "--json")
    found = json.loads(said)
    assert code == 0
    (change,) = found["changes"]
    assert (change["fault"], change["before"], change["after"]) == ("silent", 6, 0)
    assert change["p"] == pytest.approx(2 * 0.5**6)  # all six of six before, two-sided: both watches are as long
    assert found["cautions"] == []
    code, said = run("compare", "1", "2", "--history", history)
    assert "Line silent: 6 in 40 min 0 s before, 0 in 40 min 0 s after" in said
    assert "watch 2, from 2026-05-04 09:13 UTC, Tractor 3" in said


@pytest.mark.parametrize(("after", "says"), [("1", "with itself"), ("9", "There is no watch 9")])
def test_what_cannot_be_compared_is_told(history: Path, after: str, says: str) -> None:
    code, said = run("compare", "1", after, "--history", history)
    assert code == 2
    assert says in said
