"""Reading of sheets: every kind of mistake is told with its place, and all of them at once."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.judge.key import Key, Table, found, show
from appliance.judge.sheet import SIZE_MOST, SheetError, read_document, read_file, read_text, rows_of

TABLES = (
    Table("", (Key("title", "text", "a title", "none", required=True, least=1, most=10),)),
    Table(
        "box",
        (
            Key("width", "number", "how wide", "none", "cm", default=2.5, least=0, most=9.5),
            Key("count", "whole", "how many", "none", least=1, most=6),
            Key("colour", "text", "which", "none", default="red", choices=("red", "green")),
            Key("open", "yes-no", "whether open", "none", default=True),
            Key("labels", "texts", "labels", "none", default=(), pattern="[A-Z]{2}", allowed_says="two capitals each"),
            Key("sides", "wholes", "sides", "none", default=(), least=0, most=9),
        ),
    ),
    Table(
        "part.*",
        (Key("weight", "number", "how heavy", "none", "kg", required=True, least=0, most=5),),
        names="[A-Z]+",
        names_say="capitals",
    ),
)


def problems(text: str) -> list[str]:
    return [str(problem) for problem in read_text(text, TABLES, "box.toml").problems]


def test_a_right_sheet_is_read_with_its_defaults() -> None:
    text = 'title = "t"\n[box]\nwidth = 3\nlabels = ["AB"]\n[part.A]\nweight = 0.5\n'
    reading = read_text(text, TABLES, "box.toml")
    assert reading.problems == []
    assert reading.values == {
        "": {"title": "t"},
        "box": {"width": 3.0, "count": None, "colour": "red", "open": True, "labels": ("AB",), "sides": ()},
        "part": {"A": {"weight": 0.5}},
    }
    assert isinstance(reading.values["box"]["width"], float)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("width = 9.6", "[box] width: found 9.6 (number); allowed: a number from 0 to 9.5 cm."),
        ('width = "3"', '[box] width: found "3" (text); allowed: a number from 0 to 9.5 cm.'),
        ("width = true", "[box] width: found true (true or false); allowed: a number from 0 to 9.5 cm."),
        ("width = nan", "[box] width: found nan (number); allowed: a number from 0 to 9.5 cm."),
        ("width = -inf", "[box] width: found -inf (number); allowed: a number from 0 to 9.5 cm."),
        (
            f"width = 0x{'f' * 9000}",
            "[box] width: found a number beyond 64 bits (whole number); allowed: a number from 0 to 9.5 cm.",
        ),
        ("width = 2026-05-04", "[box] width: found 2026-05-04; allowed: a number from 0 to 9.5 cm."),
        ("count = 0", "[box] count: found 0 (whole number); allowed: a whole number from 1 to 6."),
        ("count = 2.0", "[box] count: found 2 (number); allowed: a whole number from 1 to 6."),
        ("colour = 'blue'", '[box] colour: found "blue" (text); allowed: text in quotes: one of "red", "green".'),
        ("open = 1", "[box] open: found 1 (whole number); allowed: true or false."),
        ("open = {}", "[box] open: found a table; allowed: true or false."),
        (
            "labels = 'AB'",
            '[box] labels: found "AB" (text); allowed: a list of texts in quotes: two capitals each.',
        ),
        (
            "labels = ['AB', 'c']",
            '[box] labels: found "c" (text) in the list; allowed: a list of texts in quotes: two capitals each.',
        ),
        (
            "sides = [1, 10]",
            "[box] sides: found 10 (whole number) in the list; allowed: a list of whole numbers, each from 0 to 9.",
        ),
        (
            "widht = 1",
            "[box] widht: found a name that is not known; "
            "allowed: width, count, colour, open, labels, sides. Did you mean width?",
        ),
    ],
)
def test_each_kind_of_bad_value_is_told_with_its_place(words: str, says: str) -> None:
    assert problems(f'title = "t"\n\n[box]\n{words}\n') == [f"box.toml, row 4: {says}"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "box.toml: title: found nothing; allowed: text in quotes, 1 to 10 characters (it must be given)."),
        ('title = "a\\nb"', 'row 1: title: found "a�b" (text); allowed: text in quotes, 1 to 10 characters.'),
        (f'title = "{"x" * 99}"', f'found "{"x" * 60}…" (text); allowed: text in quotes, 1 to 10 characters.'),
        ('title = "t"\nbox = 3', "row 2: box: found 3 (whole number); allowed: a table, [box]."),
        ('title = "t"\n[[box]]\nwidth = 1', "row 2: box: found [a table]; allowed: a table, [box]."),
        ('title = "t"\n[bx]', "row 2: [bx]: found a name that is not known; allowed: title, [box], [part]."),
        ('title = "t"\n[bx]', "Did you mean [box]?"),
        ('title = "t"\n[part]\nA = 1', "row 3: [part] A: found 1 (whole number); allowed: a table, [part.*], where"),
        (
            'title = "t"\n[part.a]\nweight = 1',
            'row 2: [part.a]: found the name "a"; allowed: capitals. Did you mean [part.A]?',
        ),
        (
            'title = "t"\n[part.A]',
            "row 2: [part.A] weight: found nothing; allowed: a number from 0 to 5 kg (it must be given).",
        ),
        (
            'title = "t"\npart.A.weight = 6',
            "row 2: [part.A] weight: found 6 (whole number); allowed: a number from 0 to 5 kg.",
        ),
    ],
)
def test_mistakes_of_tables_and_names(text: str, says: str) -> None:
    assert len(problems(text)) == 1
    assert says in problems(text)[0]


def test_all_mistakes_are_told_at_once_in_the_order_of_the_rows() -> None:
    reading = read_text("[box]\nopen = 1\ncount = 9\nwidth = -1\n[part.A]\nweight = 6", TABLES, "box.toml")
    with pytest.raises(SheetError) as caught:
        reading.done()
    assert [(problem.row, problem.key) for problem in caught.value.problems] == [
        (2, "open"), (3, "count"), (4, "width"), (6, "weight"), (None, "title"),
    ]  # fmt: skip
    assert str(caught.value).count("\n") == 4


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("title = \n", "box.toml, row 1: found a mistake in TOML: Invalid value."),
        ("title = 1\ntitle = 2", "box.toml, row 2: found a mistake in TOML: Cannot overwrite a value."),
        ('title = "t"\n\nlist = [1,', "box.toml, row 3: found a mistake in TOML: "),
        (f"title = {'1' * 5000}", "box.toml: found a mistake in TOML: "),
        (f"title = {'[' * 20_000}", "box.toml"),
    ],
)
def test_what_is_not_toml_is_told_with_its_row(text: str, says: str) -> None:
    with pytest.raises(SheetError) as caught:
        read_text(text, TABLES, "box.toml")
    assert str(caught.value).startswith(says)


def test_a_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    for name, data, says in (
        ("big.toml", b"#" * (SIZE_MOST + 1), f"found a longer file; allowed: at most {SIZE_MOST} bytes"),
        ("latin.toml", b"title = 1\n# caf\xe9\n", "row 2: found bytes that are not text; allowed: UTF-8 text"),
    ):
        path = tmp_path / name
        path.write_bytes(data)
        with pytest.raises(SheetError, match=says) as caught:
            read_file(path)
        assert str(path) in str(caught.value)
    for path in (tmp_path, tmp_path / "none.toml", tmp_path / ("x" * 3000)):
        with pytest.raises(SheetError, match="no readable file"):
            read_file(path)


def test_the_mark_some_editors_put_first_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "marked.toml"
    path.write_bytes(b"\xef\xbb\xbftitle = 't'")
    assert read_text(read_file(path), TABLES, "marked.toml").problems == []


def test_rows_within_a_long_text_are_no_keys() -> None:
    text = '"first key" = 1\na = """\nb = 1\n[c]\n"""\nb = 2\n[ "c d" . e ]\nf.g = 1\n'
    assert rows_of(text) == {("first key",): 1, ("a",): 2, ("b",): 6, ("c d", "e"): 7, ("c d", "e", "f", "g"): 8}


def test_values_are_shown_as_they_stand_in_a_sheet() -> None:
    assert found([[1], "a", 2.5, True]) == '[a list, "a", 2.5, true]'
    assert show(list(range(20))).endswith("11, …]")
    assert show("\x1b[31m") == '"�[31m"'


NAMES = st.sampled_from(["title", "box", "part", "width", "open", "labels", "weight", "A", "a"]) | st.text(max_size=5)
SINGLE = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.dates() | st.binary()
VALUES = st.recursive(
    SINGLE, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(NAMES, inner, max_size=4), max_leaves=12
)


@given(st.dictionaries(NAMES, VALUES, max_size=6))
def test_no_document_raises_and_every_right_one_is_within_its_keys(document: dict[str, object]) -> None:
    reading = read_document(document, TABLES, "box.toml")
    assert all(str(problem).startswith("box.toml: ") and "\n" not in str(problem) for problem in reading.problems)
    box = reading.values["box"]
    assert 0 <= box["width"] <= 9.5
    assert box["colour"] in ("red", "green")
    assert isinstance(box["open"], bool)


@given(st.text(alphabet="ab=[]{}\".,'\n #1e-_\\", max_size=60))
def test_text_is_refused_exactly_where_it_is_not_toml(text: str) -> None:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        with pytest.raises(SheetError):
            read_text(text, TABLES, "box.toml")
    else:
        assert read_text(text, TABLES, "box.toml").problems  # never right: a title is missing
