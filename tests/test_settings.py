"""The box's settings: the defaults of a Pi, a file of one's own, and mistakes told with their place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance import settings
from appliance.judge.sheet import SheetError, read_document
from appliance.line.port import LineSettings


def told(text: str) -> list[str]:
    with pytest.raises(SheetError) as caught:
        settings.from_toml(text, "box.toml")
    return [str(problem) for problem in caught.value.problems]


def test_the_defaults_are_those_of_a_pi() -> None:
    assert settings.load() == settings.Settings(
        machine="Unnamed machine",
        needs="rate-section",
        needs_folder=Path("/etc/linelamp/needs"),
        history=Path("/var/lib/linelamp/history.db"),
        run_folder=Path("/run/linelamp"),
        lines=(LineSettings("from-receiver", "/dev/ttyAMA0", 38_400),),
        pins="pi", green=17, red=27, button=22,
        web_host="0.0.0.0", web_port=8080,
    )  # fmt: skip


def test_a_file_of_ones_own_with_paths_from_its_folder(tmp_path: Path) -> None:
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / "mine.toml").write_text('title = "Mine"\n[line]\nbaud = 19200\nsilence_most_s = 1\n')
    file = tmp_path / "linelamp.toml"
    file.write_text(
        'machine = "Tractor 3"\nneeds = "mine"\nneeds_folder = "sheets"\nhistory = "h.db"\nrun_folder = "/run/x"\n'
        '[line.from-controller]\nport = "/dev/ttyUSB0"\nbaud = 9600\n[line.from-receiver]\nport = "/dev/ttyUSB1"\n'
        '[lamps]\npins = "mock"\ngreen = 5\n[web]\nhost = "127.0.0.1"\nport = 80\n'
    )
    box = settings.load(file)
    assert box.lines == (
        LineSettings("from-receiver", "/dev/ttyUSB1", 19_200),  # baud of the sheet
        LineSettings("from-controller", "/dev/ttyUSB0", 9600),
    )
    assert (box.history, box.run_folder) == (tmp_path / "h.db", Path("/run/x"))
    assert (box.machine, box.pins, box.green, box.web_host, box.web_port) == ("Tractor 3", "mock", 5, "127.0.0.1", 80)
    assert box.load_needs().title == "Mine"
    assert box.own_needs_folder == box.history.parent / "needs"


def test_a_needs_sheet_by_path_is_looked_for_from_the_folder_of_the_file(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('title = "Mine"\n[line]\nbaud = 4800\nsilence_most_s = 1\n')
    (tmp_path / "linelamp.toml").write_text('needs = "mine.toml"\n')
    box = settings.load(tmp_path / "linelamp.toml")
    assert box.needs == str(tmp_path / "mine.toml")
    assert box.lines[0].baud == 4800


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("machin = 'x'", "box.toml, row 1: machin: found a name that is not known; allowed: machine, needs, "),
        ("machin = 'x'", "Did you mean machine?"),
        ("machine = ''", 'row 1: machine: found "" (text); allowed: text in quotes, 1 to 60 characters.'),
        ("[line.from-reciever]", "row 1: [line.from-reciever]: found the name"),
        ("[line.from-reciever]", "Did you mean [line.from-receiver]?"),
        ("[line.from-receiver]\nport = 'COM'", 'row 2: [line.from-receiver] port: found "COM" (text); allowed: '),
        ("[line.from-receiver]\nbaud = 1", "row 2: [line.from-receiver] baud: found 1 (whole number); allowed: "),
        ("[line.from-controller]", "row 1: [line.from-controller] port: found nothing; allowed: the path of a device"),
        ("[line.from-controller]\nport = '/dev/ttyAMA0'",
         'row 2: [line.from-controller] port: found "/dev/ttyAMA0", which is that of from-receiver; allowed: a port'),
        ("[lamps]\npins = 'lgpio'", 'row 2: [lamps] pins: found "lgpio" (text); allowed: text in quotes: one of "pi"'),
        ("[lamps]\nred = 22", "[lamps] button: found 22, which is that of red; allowed: a pin of its own."),
        ("[lamps]\nred = 15", "[lamps] red: found 15 (whole number); allowed: a whole number: 2 to 13 or 16 to 27."),
        ("[web]\nport = 0", "row 2: [web] port: found 0 (whole number); allowed: a whole number from 1 to 65535."),
        ("[web]\nhost = 'a b'", "row 2: [web] host: found"),
        ("needs = 'nothing'", 'found no sheet called "nothing"; allowed: rate-section, '),
    ],
)  # fmt: skip
def test_mistakes_are_told(text: str, says: str) -> None:
    problems = told(text)
    assert len(problems) == 1
    assert says in problems[0]


def test_a_pin_that_is_no_pin_does_not_accuse_another() -> None:
    assert len(told("[lamps]\ngreen = 99\nred = 17\n")) == 1


def test_all_mistakes_are_told_at_once() -> None:
    text = "machine = 3\n[line.from-controller]\nport = 3\n[lamps]\ngreen = 27\n[web]\nport = '80'\n"
    assert len(told(text)) == 4


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="no readable file"):
        settings.load(tmp_path / "linelamp.toml")


def test_every_setting_is_explained() -> None:
    text = '[line.from-controller]\nport = "/dev/ttyUSB0"\n'
    rows = settings.explain(settings.from_toml(text, "box.toml"))
    told_keys = {("line.*" if row.table.startswith("line.") else row.table, row.key) for row in rows}
    assert told_keys == {(table.name, key.name) for table in settings.TABLES for key in table.keys}
    assert all(row.meaning and row.source and row.value and row.allowed and row.default for row in rows)
    values = {(row.table, row.key): row.value for row in rows}
    assert values["line.from-controller", "port"] == "/dev/ttyUSB0"
    assert values["lamps", "green"] == "17"


NAMES = st.sampled_from([key.name for table in settings.TABLES for key in table.keys]) | st.text(max_size=5)
SINGLE = st.booleans() | st.integers() | st.floats() | st.text(max_size=9)
TABLE = st.dictionaries(NAMES, SINGLE | st.lists(SINGLE, max_size=3), max_size=4)
HEADS = st.sampled_from(["line", "lamps", "web", "from-receiver"])


@given(st.dictionaries(NAMES | HEADS, SINGLE | TABLE | st.dictionaries(HEADS, TABLE, max_size=2), max_size=6))
def test_no_document_raises_while_it_is_read(document: dict[str, object]) -> None:
    reading = read_document(document, settings.TABLES, "box.toml")
    assert reading.values["web"]["port"] in range(1, 65_536)
    assert reading.values["lamps"]["pins"] in ("pi", "mock")
