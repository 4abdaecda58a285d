"""The command line, called as a technician calls it."""

from __future__ import annotations

import json
import threading
import tomllib
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from appliance import __version__, demo, settings, site
from appliance.asking import Answer
from appliance.cli import main
from appliance.history.rows import WatchStart
from appliance.history.tail import beside
from appliance.history.writer import HistoryWriter
from appliance.judge import needs
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell, apply
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.tap import daemon
from appliance.tap.commands import CommandSocket

SECOND = 1_000_000_000


def call(*words: object) -> Result:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture
def healthy(tmp_path: Path) -> Path:
    path = tmp_path / "healthy.nmea"
    path.write_bytes(b"".join(burst.data for burst in Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, 20)))
    return path


@pytest.fixture
def sick(tmp_path: Path) -> Path:
    path = tmp_path / "sick.nmea"
    bursts = Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, 30)
    path.write_bytes(b"".join(burst.data for burst in apply(bursts, [Spell("message-off", 15, 20, what="VTG")], 1)))
    return path


@pytest.fixture
def history(tmp_path: Path) -> Path:
    path = tmp_path / "history.db"
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(0, 1_777_886_000 * SECOND, "alive", "", "Tractor 3", "0"))
        writer.add_chunk("from-receiver", Chunk(b"$GPHDT,74.20,T*34\r\n", SECOND, 1_000_000))
        writer.end_watch(3 * SECOND)
    return path


def test_help_and_version() -> None:
    assert __version__ in call("--version").output
    for command in ("tap", "web", "demo", "check", "needs", "export", "erase", "simulate"):
        assert command in call("-h").output
        told = call(command, "--help")
        assert told.exit_code == 0
        assert "Usage" in told.output


# check


def test_check_says_go_with_0(healthy: Path) -> None:
    result = call("check", healthy)
    assert result.exit_code == 0
    assert result.stdout.startswith("GO by the needs sheet rate-section")
    assert "GNGGA" in result.stdout
    assert result.stderr == ""


def test_check_says_no_go_with_1_and_why(sick: Path) -> None:
    result = call("check", sick)
    assert result.exit_code == 1
    assert result.stdout.startswith("NO-GO")
    assert "VTG was away for 5.2 s" in result.stdout


def test_check_json_is_one_object(sick: Path) -> None:
    result = call("check", sick, "--json")
    assert result.exit_code == 1
    told = json.loads(result.stdout)
    assert (told["verdict"], told["needs"]) == ("no-go", "rate-section")
    assert [(one["kind"], one["start_s"], one["end_s"]) for one in told["faults"]] == [("gap", 14.8, 20.0)]


def test_check_by_another_sheet_and_by_a_sheet_in_a_file(healthy: Path, tmp_path: Path) -> None:
    assert json.loads(call("check", healthy, "--needs", "alive", "--json").stdout)["needs"] == "alive"
    mine = tmp_path / "mine.toml"
    mine.write_text(needs.text("rate-section").replace("rate_hz = 5.0", "rate_hz = 10.0"))
    result = call("check", healthy, "--needs", mine, "--json")
    assert result.exit_code == 1
    assert {one["kind"] for one in json.loads(result.stdout)["faults"]} == {"rate-low"}


@pytest.mark.parametrize("as_json", [[], ["--json"]])
def test_check_that_cannot_judge_says_2_and_why(
    as_json: list[str], tmp_path: Path, healthy: Path, history: Path
) -> None:
    (tmp_path / "empty").write_bytes(b"")
    (tmp_path / "bad.toml").write_text("title = 3\n")
    for words, says in (
        ((tmp_path / "none.nmea",), "none.nmea cannot be read"),
        ((tmp_path / "empty",), "is empty"),
        ((tmp_path,), "cannot be read"),
        ((healthy, "--needs", "nothing-such"), "no sheet called"),
        ((healthy, "--needs", tmp_path / "bad.toml"), "bad.toml"),
        ((history, "--watch", 7), "7"),
    ):
        result = call("check", *words, *as_json)
        assert (result.exit_code, result.stdout) == (2, "")
        assert says in result.stderr
        assert "Traceback" not in result.stderr


def test_check_of_too_little_says_2_with_what_was_found(tmp_path: Path, healthy: Path) -> None:
    short = tmp_path / "short.nmea"
    short.write_bytes(healthy.read_bytes()[:3000])
    result = call("check", short, "--json")
    assert result.exit_code == 2
    assert json.loads(result.stdout)["verdict"] == "wait"
    assert "a go needs a longer clean run" in result.stderr


def test_check_of_a_history(history: Path) -> None:
    told = json.loads(call("check", history, "--needs", "alive", "--json").stdout)
    assert told["arrival_measured"]
    assert told["bytes"]["total"] == 19


# needs


def test_needs_are_listed_with_what_is_wrong_with_them(tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text("title = 3\n")
    result = call("needs", "--folder", tmp_path)
    assert result.exit_code == 0
    for name in [*needs.shipped(), "broken"]:
        assert name in result.output
    assert "CANNOT BE USED" in result.output


def test_a_sheet_is_explained_or_printed() -> None:
    explained = call("needs", "rate-section")
    assert explained.exit_code == 0
    assert "[message.GGA] rate_hz = 5 Hz" in explained.output
    assert "From:" in explained.output
    printed = call("needs", "rate-section", "--toml")
    assert printed.output == needs.text("rate-section")
    tomllib.loads(printed.output)


def test_a_sheet_that_works_against_itself_is_noted(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text(needs.text("rate-section").replace("baud = 38400", "baud = 4800"))
    assert "Note: The messages named fill about" in call("needs", mine).output


@pytest.mark.parametrize("more", [[], ["--toml"]])
def test_a_sheet_that_is_not_there(more: list[str]) -> None:
    result = call("needs", "rate-sektion", *more)
    assert result.exit_code == 2
    assert "Did you mean rate-section?" in result.stderr


# export


def test_export_lists_its_forms() -> None:
    result = call("export")
    assert result.exit_code == 0
    assert [row.split()[0] for row in result.output.splitlines()] == [
        "text", "raw", "seconds", "faults", "losses", "gpx", "geojson",
    ]  # fmt: skip


def test_export_to_a_folder_a_file_and_the_screen(history: Path, tmp_path: Path) -> None:
    result = call("export", "raw", "--history", history, "--out", tmp_path)
    assert result.exit_code == 0
    assert Path(result.stdout.strip()).read_bytes() == b"$GPHDT,74.20,T*34\r\n"
    assert call("export", "raw", "--history", history, "--out", tmp_path / "mine").exit_code == 0
    assert call("export", "raw", "--history", history, "--out", "-").stdout_bytes == b"$GPHDT,74.20,T*34\r\n"
    again = call("export", "raw", "--history", history, "--out", tmp_path / "mine")
    assert again.exit_code == 2
    assert "is there already" in again.stderr


def test_export_takes_the_history_of_the_settings(history: Path, tmp_path: Path) -> None:
    file = tmp_path / "linelamp.toml"
    file.write_text('history = "history.db"\n')
    assert call("export", "raw", "--settings", file, "--out", "-").stdout_bytes == b"$GPHDT,74.20,T*34\r\n"


@pytest.mark.parametrize(
    "words", [["export", "raw", "--out", "-"], ["sheet", "--anyway", "--out", "sheet.pdf"], ["compare", "1", "1"]]
)
def test_a_running_box_is_asked_for_what_it_still_holds(
    words: list[str], history: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    file, asked = tmp_path / "linelamp.toml", list[object]()
    file.write_text('history = "history.db"\nrun_folder = "."\n')

    def catch_up(given: object) -> Answer:
        asked.append(given)
        return {"ok": True}

    def answer() -> None:
        while not ended.is_set():
            commands.serve(0.05)

    ended = threading.Event()
    commands = CommandSocket(tmp_path, {"catch-up": catch_up})
    answering = threading.Thread(target=answer)
    answering.start()
    try:
        call(*words, "--settings", file)
        assert asked == [{"do": "catch-up"}]
        beside(history).unlink()  # one of an earlier version, or that has been moved
        call(*words, "--settings", file)
        assert len(asked) == 1
    finally:
        ended.set()
        answering.join()
        commands.close()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["pdf"], "There is no form 'pdf'"),
        (["raw", "--watch", "9"], "9"),
        (["raw", "--from", "noon"], "Give the start"),
        (["raw", "--line", "from-nowhere"], "from-nowhere"),
    ],
)
def test_export_that_cannot_be(words: list[str], says: str, history: Path, tmp_path: Path) -> None:
    result = call("export", *words, "--history", history, "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert says in result.stderr
    assert "Traceback" not in result.output


# tap, web, demo: that they get what was asked for


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What the long-running parts were started with, instead of being started."""
    got: list[Any] = []

    def run(*asked: Any) -> int:
        got.extend(asked)
        return 7

    for part in (daemon, site, demo):
        monkeypatch.setattr(part, "run", run)
    monkeypatch.setattr("logging.basicConfig", lambda **_: None)
    return got


def test_tap_puts_the_command_line_over_the_settings(started: list[Any], tmp_path: Path) -> None:
    file = tmp_path / "linelamp.toml"
    file.write_text('machine = "Tractor 3"\n')
    result = call(
        "tap", "--settings", file, "--port", "/dev/ttyUSB7", "--baud", 9600, "--needs", "alive", "--mock-pins"
    )
    assert result.exit_code == 7
    (box,) = started
    assert (box.machine, box.needs, box.pins) == ("Tractor 3", "alive", "mock")
    assert [(line.path, line.baud) for line in box.lines] == [("/dev/ttyUSB7", 9600)]


@pytest.mark.parametrize("baud", [0, -5, 10_000_001])
def test_tap_refuses_a_baud_that_no_port_can_have(started: list[Any], baud: int) -> None:
    result = call("tap", "--baud", baud)
    assert result.exit_code == 2
    assert "Invalid value for '--baud'" in result.stderr
    assert not started


def test_without_a_settings_file_there_are_the_defaults_or_those_of_the_box(
    started: list[Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settings, "DEFAULT_FILE", tmp_path / "linelamp.toml")
    assert call("tap").exit_code == 7
    (tmp_path / "linelamp.toml").write_text('machine = "Tractor 3"\n')
    assert call("tap").exit_code == 7
    assert [box.machine for box in started] == ["Unnamed machine", "Tractor 3"]


def test_settings_that_cannot_be_used_are_told(started: list[Any], tmp_path: Path) -> None:
    file = tmp_path / "linelamp.toml"
    file.write_text("machine = 3\n")
    for command in ("tap", "web"):
        result = call(command, "--settings", file)
        assert result.exit_code == 2
        assert "linelamp.toml" in result.stderr
    assert started == []


def test_a_log_is_judged_whatever_this_boxs_settings(
    healthy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settings, "DEFAULT_FILE", tmp_path / "linelamp.toml")
    (tmp_path / "linelamp.toml").write_text("machine = 3\n")
    result = call("check", healthy, "--needs", "alive")
    assert (result.exit_code, result.stderr) == (0, "")


def test_web_serves_where_it_is_asked_to(started: list[Any]) -> None:
    assert call("web", "--host", "127.0.0.1", "--web-port", 8123).exit_code == 7
    (box,) = started
    assert (box.web_host, box.web_port) == ("127.0.0.1", 8123)
    assert call("web", "--web-port", 0).exit_code == 2


def test_web_that_cannot_have_its_address_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def run(_: Any) -> int:
        raise OSError(98, "Address already in use")

    monkeypatch.setattr(site, "run", run)
    result = call("web", "--host", "127.0.0.1", "--web-port", 8123)
    assert result.exit_code == 2
    assert "cannot be served on 127.0.0.1:8123: Address already in use" in result.stderr


def test_demo_is_asked_for_a_port_a_folder_and_a_time(started: list[Any], tmp_path: Path) -> None:
    assert call("demo", "--web-port", 8123, "--folder", tmp_path, "--seconds", 5).exit_code == 7
    assert started == [8123, tmp_path, 5.0]


# erase


def test_erase_must_be_told_which_and_asks_again(tmp_path: Path) -> None:
    assert call("erase").exit_code == 2
    assert "Say which" in call("erase", "--watch", 3, "--all").stderr
    refused = CliRunner().invoke(main, ["erase", "--watch", "3"], input="n\n")
    assert refused.exit_code == 1
    assert "Erase watch 3 for good?" in refused.output


def test_erase_needs_a_box_that_is_listening(tmp_path: Path) -> None:
    file = tmp_path / "linelamp.toml"
    file.write_text(f'run_folder = "{tmp_path}"\n')
    result = call("erase", "--settings", file, "--all", "--yes")
    assert result.exit_code == 2
    assert "nothing was done" in result.stderr


def test_tap_that_cannot_have_its_folder_says_so_and_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    toml = tmp_path / "box.toml"
    toml.write_text('history = "history.db"\nrun_folder = "file/run"\n[lamps]\npins = "mock"\n')
    result = call("tap", "--settings", toml, "--port", "/dev/none")
    assert result.exit_code == 2
    assert f"cannot keep its files in {tmp_path / 'file/run'}: Not a directory" in result.stderr
    assert "run_folder" in result.stderr
