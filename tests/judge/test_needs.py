"""Needs sheets: the shipped ones against the standard's numbers, the user's own, and mistakes of every key."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.judge import needs
from appliance.judge.needs import Needs
from appliance.judge.needs_keys import TABLES
from appliance.judge.sheet import SheetError

LEAST = 'title = "t"\n[line]\nbaud = 4800\nsilence_most_s = 2\n'
KEYS = [(table, key) for table in TABLES for key in table.keys]


def problem(text: str) -> str:
    """The one problem of a sheet, as told."""
    with pytest.raises(SheetError) as caught:
        needs.from_toml(text, "x", "x.toml")
    assert len(caught.value.problems) == 1, str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("name", needs.shipped())
def test_every_shipped_sheet_is_right_and_free_of_contradiction(name: str) -> None:
    sheet = needs.load(name)
    assert sheet.name == name
    assert sheet.says
    assert needs.warnings(sheet) == []


def test_the_sheets_there_are() -> None:
    assert needs.shipped() == ["rate-section", "alive", "position-1hz", "speed-only"]


def test_the_usual_sheet_asks_what_the_trade_does() -> None:
    """Common practice of the trade, no source: 38,400 baud, GGA and VTG 5 Hz, RMC and ZDA 1 Hz, 8 decimals, 1 to 8."""
    sheet = needs.load(needs.DEFAULT)
    assert sheet.baud == 38_400
    assert {type: message.rate_hz for type, message in sheet.messages.items()} == {
        "GGA": 5, "VTG": 5, "RMC": 1, "ZDA": 1,
    }  # fmt: skip
    assert sheet.decimals_least == 8
    assert sheet.qualities == set(range(1, 9))
    assert sheet.age_most_s in (15, 30, 60)  # as receivers' manuals quote
    assert sheet.silence_most_s == 0.6  # left out: the smallest gap


def test_the_standard_sheets_hold_the_numbers_of_the_standard() -> None:
    """IEC 61162-1 as quoted in public documents: 4800 baud, at most 82 characters, CR LF counted."""
    for name in ("position-1hz", "speed-only"):
        assert (needs.load(name).baud, needs.load(name).sentence_length_most) == (4800, 82)
    assert needs.from_toml(LEAST, "x").sentence_length_most == 82


def test_8_decimals_need_more_than_the_standard_length() -> None:
    """A published GGA with 8 decimals (test data of the library pynmeagps), longer than the standard allows."""
    published = "$GNGGA,130058.00,5327.03598945,N,00214.41467156,W,1,08,7.5,36.3017,M,51.6775,M,,*5B\r\n"
    assert 82 < len(published) <= needs.load("rate-section").sentence_length_most
    assert needs.SHORTEST_AT_8_DECIMALS["GGA"] <= len(published) <= needs.LENGTH_AT_8_DECIMALS["GGA"]


@pytest.mark.parametrize(
    ("type", "published"),
    [
        ("GLL", "$GPGLL,1541.31258893,N,05130.51204125,W,195959.00,A,D*7B"),
        ("GST", "$GPGST,195959.00,0.30,0.36,0.26,283.74,0.26,0.36,0.68*68"),
        ("GGA", "$GPGGA,195959.00,1541.31258893,N,05130.51204125,W,2,06,1.5,9.2,M,-37.6,M,4.0,0138*7E"),
        ("RMC", "$GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D*0B"),
    ],
)
def test_lengths_against_a_published_log(type: str, published: str) -> None:
    """Ship log of NOAA PSL, ATOMIC 2020, 8 decimals: within six characters of the table, and never beyond it."""
    assert 0 <= needs.LENGTH_AT_8_DECIMALS[type] - len(published + "\r\n") <= 6


@pytest.mark.parametrize(
    ("rates_hz", "baud", "percent"),
    [
        ((5, 5, 1, 1), 4800, 171),
        ((5, 5, 1, 1), 9600, 85),
        ((5, 5, 1, 1), 38_400, 21),
        ((5, 5, 5, 5), 19_200, 69),
        ((10, 10, 1, 1), 9600, 158),
        ((10, 10, 10, 10), 38_400, 69),
    ],
)
def test_line_load_by_hand(rates_hz: tuple[int, ...], baud: int, percent: int) -> None:
    """Worked by hand: GGA 92, VTG 47, RMC 87, ZDA 38 characters of 10 bits, over the baud; e.g. 8200 / 4800."""
    messages = "".join(
        f"[message.{type}]\nrate_hz = {rate_hz}\n"
        for type, rate_hz in zip(("GGA", "VTG", "RMC", "ZDA"), rates_hz, strict=True)
    )
    text = f'title = "t"\n[line]\nbaud = {baud}\nsentence_length_most = 100\n{messages}[fix]\ndecimals_least = 8\n'
    sheet = needs.from_toml(text, "x")
    assert math.isclose(needs.load_ratio(sheet) * 100, percent, abs_tol=0.6)
    assert any("load_most" in says for says in needs.warnings(sheet)) == (percent > 80)


def test_keys_left_out_are_not_asked() -> None:
    sheet = needs.from_toml(LEAST + "[message.GGA]\nrate_hz = 4\n", "x")
    assert sheet == Needs(
        name="x", title="t", says="", baud=4800, load_most=0.8, checksum_required=True, sentence_length_most=82,
        talkers=frozenset(), damaged_most=0, silence_most_s=2.0,
        messages={"GGA": needs.MessageNeed("GGA", 4.0, 0.1, 0.1, 0.75)}, fix_required=False, qualities=frozenset(),
        age_most_s=None, satellites_least=None, hdop_most=None, decimals_least=None, date_required=False,
        late_most_s=1.0, truth_motion=True, truth_clock=True, truth_fix=True, clean_run_s=10.0,
        sheet_clean_least_s=0.0,
    )  # fmt: skip


def test_zero_is_the_same_as_not_asked() -> None:
    zeros = "[fix]\nage_most_s = 0\nsatellites_least = 0\nhdop_most = 0.0\ndecimals_least = 0\n"
    assert needs.from_toml(LEAST + zeros, "x") == needs.from_toml(LEAST, "x")


def test_tolerances_are_shares_of_the_rate() -> None:
    message = needs.MessageNeed("GGA", 5.0, 0.1, 0.2, 0.6)
    assert (message.rate_least_hz, message.rate_most_hz) == (4.5, 6.0)


def wrong_value(table: str, name: str) -> tuple[str, str]:
    """A sheet with a wrong kind of value at one key, and the key's place as it is to be told."""
    head = table.replace("*", "GGA")
    document: dict[str, dict[str, str]] = {"": {"title": '"t"'}, "line": {"baud": "4800", "silence_most_s": "2"}}
    if head.startswith("message"):
        document[head] = {"rate_hz": "5"}
    document.setdefault(head, {})[name] = "{ a = 1 }"
    parts = [f"[{part}]\n" * bool(part) + "".join(f"{key} = {value}\n" for key, value in keys.items())
             for part, keys in document.items()]  # fmt: skip
    return "".join(parts), f"[{head}] {name}" if head else name


@pytest.mark.parametrize(("table", "key"), KEYS, ids=[f"{table.name}-{key.name}" for table, key in KEYS])
def test_a_wrong_value_of_every_key_names_file_key_found_and_allowed(table: Any, key: Any) -> None:
    text, where = wrong_value(table.name, key.name)
    row = next(row for row, words in enumerate(text.splitlines(), 1) if "{ a" in words)
    assert problem(text) == f"x.toml, row {row}: {where}: found a table; allowed: {key.allowed}."


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (LEAST + "[message.GGA]\nrate_hz = 5\ngap_most_s = 0.1\n",
         "row 7: [message.GGA] gap_most_s: found 0.1 (number); allowed: at least one interval of rate_hz, 0.2 s."),
        (LEAST + "[message.gga]\nrate_hz = 5\n", "Did you mean [message.GGA]?"),
        (LEAST + "[message.GNGGA]\nrate_hz = 5\n", "allowed: a sentence type of three capital letters without"),
        (LEAST + "[message.GGA]\n", "x.toml, row 5: [message.GGA] rate_hz: found nothing; allowed: a number from 0.01"),
        (LEAST.replace("silence_most_s = 2\n", "") + "[message.gga]\nrate_hz = 5\n", "[message.gga]: found the name"),
        ("message = 3\n" + LEAST.replace("silence_most_s = 2\n", ""), "row 1: message: found 3 (whole number)"),
        (LEAST.replace("silence_most_s = 2\n", ""), "[line] silence_most_s: found nothing, and no message is named"),
        (LEAST.replace("4800", "4801"), "row 3: [line] baud: found 4801 (whole number); allowed: a whole"),
        (LEAST + 'talkers = ["gp"]\n', 'row 5: [line] talkers: found "gp" (text) in the list; allowed: a list'),
        (LEAST + "[fix]\nqualities = [1, 10]\n", "[fix] qualities: found 10 (whole number) in the list; allowed:"),
        (LEAST + "load_most = 0\n", "row 5: [line] load_most: found 0 (whole number); allowed: a number from 0.01"),
        (LEAST + "[fxi]\n", "Did you mean [fix]?"),
    ],
)  # fmt: skip
def test_mistakes_are_told(text: str, says: str) -> None:
    assert says in problem(text)


def test_a_gap_too_short_is_told_beside_the_other_mistakes() -> None:
    with pytest.raises(SheetError) as caught:
        needs.from_toml("[message.GGA]\nrate_hz = 5\ngap_most_s = 0.1\n[message.VTG]\nrate_hz = 0\n", "x")
    assert {problem.where for problem in caught.value.problems} == {
        "title", "[line] baud", "[message.GGA] gap_most_s", "[message.VTG] rate_hz",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"baud": 9600}, "longer than the shortest interval of 200 ms"),
        ({"baud": 9600}, "The messages named fill about 85% of a line at 9600 baud; load_most allows 80%."),
        ({"silence_most_s": 0.1}, "silence_most_s is 0.1 s, shorter than the shortest interval of 0.2 s."),
        (
            {"sentence_length_most": 82},
            "GGA with 8 decimals has 85 characters or more; sentence_length_most allows 82.",
        ),
        (
            {"sentence_length_most": 82},
            "RMC with 8 decimals has 84 characters or more; sentence_length_most allows 82.",
        ),
        ({"messages": {}}, "A date is asked, but no message that tells it (RMC or ZDA) is named."),
        ({"messages": {}}, "The age of corrections is asked, but no message that tells it (GGA) is named."),
    ],
)
def test_asks_that_work_against_each_other_are_told(changes: dict[str, Any], says: str) -> None:
    assert any(says in warning for warning in needs.warnings(replace(needs.load("rate-section"), **changes)))


def test_every_key_is_explained() -> None:
    rows = needs.explain(needs.load("rate-section"))
    told = {(row.table.replace(f".{row.table[-3:]}", ".*") if "." in row.table else row.table, row.key) for row in rows}
    assert told == {(table.name, key.name) for table, key in KEYS}
    assert all(row.meaning and row.source and row.value and row.allowed and row.default for row in rows)
    values = {(row.table, row.key): (row.value, row.unit) for row in rows}
    assert values["message.GGA", "rate_hz"] == ("5", "Hz")
    assert values["fix", "required"] == ("true", "")
    assert values["fix", "qualities"] == ("[1, 2, 3, 4, 5, 6, 7, 8]", "")


def test_what_is_not_asked_is_explained_as_such() -> None:
    values = {row.key: row.value for row in needs.explain(needs.load("alive"))}
    assert values["age_most_s"].startswith("not asked")
    assert values["talkers"] == "any"


def test_the_users_own_sheet_comes_before_a_shipped_one(tmp_path: Path) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    for folder, title in ((first, "mine"), (second, "theirs")):
        folder.mkdir()
        (folder / "alive.toml").write_text(LEAST.replace('"t"', f'"{title}"'))
    (second / "bad.toml").write_text("title = 3")
    folders = [tmp_path / "none", first, second]
    assert needs.load("alive", folders).title == "mine"
    assert needs.load("alive").title == "Anything alive"
    assert needs.text("alive", folders) == LEAST.replace('"t"', '"mine"')
    listed = {sheet.name: sheet for sheet in needs.list_all(folders)}
    assert list(listed) == ["alive", "bad", "rate-section", "position-1hz", "speed-only"]
    assert (listed["alive"].title, listed["alive"].where) == ("mine", str(first))
    assert listed["rate-section"].where == "shipped"
    assert str(second / "bad.toml") in listed["bad"].problem


def test_a_sheet_by_its_path(tmp_path: Path) -> None:
    path = tmp_path / "my own.toml"
    path.write_text(LEAST)
    for asked in (path, str(path)):
        assert needs.load(asked).name == "my own"
    with pytest.raises(SheetError, match="no readable file"):
        needs.load("none.toml")


def test_an_unknown_name_tells_the_names_there_are(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(LEAST)
    with pytest.raises(SheetError) as caught:
        needs.load("rate-sectoin", [tmp_path])
    assert str(caught.value) == (
        'needs: found no sheet called "rate-sectoin"; '
        "allowed: mine, rate-section, alive, position-1hz, speed-only, or a path. Did you mean rate-section?"
    )


@pytest.mark.parametrize("name", needs.shipped())
def test_the_text_of_a_sheet_gives_the_same_needs(name: str) -> None:
    words = needs.text(name)
    assert needs.from_toml(words, name) == needs.load(name) == needs.from_document(tomllib.loads(words), name)


KNOWN = st.sampled_from([key.name for _, key in KEYS] + [table.head for table in TABLES] + ["GGA", "VTG"])
SINGLE = (
    st.booleans() | st.integers() | st.floats() | st.text(max_size=9) | st.dates() | st.sampled_from([4800, 5, 0.5])
)
VALUES = st.recursive(
    SINGLE, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KNOWN, inner, max_size=5), max_leaves=12
)
RIGHT: dict[str, Any] = {"title": "t", "line": {"baud": 4800, "silence_most_s": 2}, "message": {"GGA": {"rate_hz": 5}}}


def mistakes(document: dict[str, object]) -> SheetError | Needs:
    try:
        return needs.from_document(document, "x", "x.toml")
    except SheetError as error:
        return error


def assert_sound(outcome: SheetError | Needs) -> None:
    """Either at least one mistake with its file and place, or needs that judge can work with."""
    if isinstance(outcome, SheetError):
        assert outcome.problems
        assert all(problem.file == "x.toml" and problem.where and problem.allowed for problem in outcome.problems)
        return
    assert 0 < outcome.load_most <= 1
    assert all(message.gap_most_s * message.rate_hz >= 1 for message in outcome.messages.values())
    assert outcome.silence_most_s > 0
    assert all(isinstance(says, str) for says in needs.warnings(outcome))
    assert needs.explain(outcome)


@given(st.dictionaries(KNOWN | st.text(max_size=5), VALUES, max_size=6), st.booleans())
def test_no_document_raises_anything_but_a_sheet_error(document: dict[str, object], whole: bool) -> None:
    assert_sound(mistakes({**RIGHT, **document} if whole else document))


@given(st.data())
def test_a_value_changed_in_a_right_sheet_is_taken_or_told(data: st.DataObject) -> None:
    document = tomllib.loads(needs.text("rate-section"))
    head = data.draw(st.sampled_from(sorted(set(document) - {"title", "says"})))
    table = document[head]["GGA"] if head == "message" else document[head]
    name = data.draw(st.sampled_from(sorted(table)))
    table[name] = data.draw(VALUES)
    outcome = mistakes(document)
    assert_sound(outcome)
    if isinstance(outcome, SheetError):
        assert {problem.key for problem in outcome.problems} <= {name, "gap_most_s"}
