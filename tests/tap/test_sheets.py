"""The sheets of the box: what may be kept, chosen and deleted, and what holds after a restart."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from appliance.judge import needs
from appliance.judge.sheet import SheetError
from appliance.settings import Settings
from appliance.tap.sheets import IN_USE, SHEET_MOST_BYTES, SHEETS_MOST, SheetRefused, Sheets

MINE = 'title = "Mine"\n[line]\nbaud = 4800\nsilence_most_s = 1\n'
Box = Callable[..., Settings]


@pytest.fixture
def settings(box: Box) -> Settings:
    return box()


@pytest.fixture
def sheets(settings: Settings) -> Sheets:
    return Sheets(settings)


def test_a_sheet_of_one_s_own_is_kept_changed_used_and_deleted(settings: Settings, sheets: Sheets) -> None:
    assert sheets.at_start()[0].name == "rate-section"
    sheets.keep("mine", MINE)
    sheets.keep("mine", MINE.replace("4800", "9600"))
    used, text = sheets.use("mine")
    assert (used.title, used.baud) == ("Mine", 9600)
    assert "9600" in text
    assert Sheets(settings).at_start()[0].name == "mine"
    with pytest.raises(SheetRefused, match="in use"):
        sheets.delete("mine")
    sheets.use("alive")
    sheets.delete("mine")
    assert list(settings.own_needs_folder.iterdir()) == []
    assert Sheets(settings).at_start()[0].name == "alive"


def test_another_sheet_in_the_settings_counts_again(settings: Settings, sheets: Sheets, box: Box) -> None:
    sheets.use("alive")
    other = box(needs="speed-only")
    assert Sheets(other).at_start()[0].name == "speed-only"


@pytest.mark.parametrize(
    "name", ["", "..", "../x", "a/b", "A", "a b", "-a", "a-", "a.toml", "é", "x" * 41, "a\x00", "a\n"]
)
def test_strange_names_are_refused(sheets: Sheets, name: str) -> None:
    with pytest.raises(SheetRefused):
        sheets.keep(name, MINE)


@pytest.mark.parametrize("name", ["../x", "/etc/passwd", "/etc/x.toml", "x.toml"])
def test_no_file_is_used_by_its_path(sheets: Sheets, name: str) -> None:
    with pytest.raises((SheetRefused, SheetError)):
        sheets.use(name)


@pytest.mark.parametrize("name", ["rate-section", "alive"])
def test_sheets_that_come_along_stay_as_they_are(settings: Settings, sheets: Sheets, name: str) -> None:
    with pytest.raises(SheetRefused, match="stays as it is"):
        sheets.keep(name, MINE)
    with pytest.raises(SheetRefused):
        sheets.delete(name)
    assert not settings.own_needs_folder.exists()


def test_a_sheet_with_a_mistake_is_not_kept(settings: Settings, sheets: Sheets) -> None:
    sheets.keep("mine", MINE)
    with pytest.raises(SheetError, match="baud"):
        sheets.keep("mine", MINE.replace("4800", "17"))
    assert (settings.own_needs_folder / "mine.toml").read_text() == MINE


def test_there_is_an_end_to_size_and_number(settings: Settings, sheets: Sheets) -> None:
    with pytest.raises(SheetRefused, match="too long"):
        sheets.keep("mine", MINE + "#" * SHEET_MOST_BYTES)
    settings.own_needs_folder.mkdir()
    for number in range(SHEETS_MOST):
        (settings.own_needs_folder / f"s{number}.toml").write_text(MINE)
    with pytest.raises(SheetRefused, match="already"):
        sheets.keep("mine", MINE)
    sheets.keep("s1", MINE)


@pytest.mark.parametrize(
    "kept",
    ["", "{", "[]", "7", '{"sheet": 7, "instead_of": "rate-section"}',
     '{"sheet": "gone", "instead_of": "rate-section"}',
     '{"sheet": "/etc/hosts", "instead_of": "rate-section"}'],
)  # fmt: skip
def test_a_choice_that_cannot_be_read_leaves_that_of_the_settings(settings: Settings, kept: str) -> None:
    (settings.history.parent / IN_USE).write_text(kept)
    assert Sheets(settings).at_start()[0].name == "rate-section"


def test_its_text_goes_with_it(sheets: Sheets) -> None:
    found, text = sheets.at_start()
    assert needs.from_toml(text, "x").messages == found.messages


def test_the_choice_is_whole_or_not_there(settings: Settings, sheets: Sheets, tmp_path: Path) -> None:
    sheets.use("alive")
    assert json.loads((settings.history.parent / IN_USE).read_text()) == {
        "sheet": "alive",
        "instead_of": "rate-section",
    }
    assert not list(tmp_path.rglob("*.new"))
