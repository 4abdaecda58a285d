"""The tap as a whole, in this process: start, stop, commands, and a part that dies."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from appliance.asking import SOCKET, AskError, ask
from appliance.history.reader import History
from appliance.settings import Settings
from appliance.tap import daemon
from appliance.tap.answers import MARKS_MOST, TRIED_MOST, WIGGLES_MOST
from appliance.tap.core import PICTURE
from appliance.tap.daemon import DIED, Tap
from appliance.tap.wiggling import NAME as WIGGLE

Box = Callable[..., Settings]


class Running:
    """A tap that runs in a thread of its own; its status when it has ended."""

    def __init__(self, settings: Settings, clock: Callable[[], int] = time.monotonic_ns) -> None:
        self.settings = settings
        self.tap = Tap(settings, clock=clock)
        self.status: int | None = None
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        self.status = self.tap.run()

    def picture(self) -> dict[str, Any]:
        try:
            return json.loads((self.settings.run_folder / PICTURE).read_text())  # type: ignore[no-any-return]
        except FileNotFoundError:
            return {}

    def until(self, wanted: Callable[[dict[str, Any]], object], within_s: float = 20.0) -> dict[str, Any]:
        end = time.monotonic() + within_s
        while not (picture := self.picture()) or not wanted(picture):
            assert time.monotonic() < end, picture
            time.sleep(0.01)
        return picture

    def ended(self, within_s: float = 20.0) -> int | None:
        self._thread.join(within_s)
        assert not self._thread.is_alive()
        return self.status


@pytest.fixture
def running(box: Box) -> Iterator[Callable[..., Running]]:
    made: list[Running] = []

    def start(clock: Callable[[], int] = time.monotonic_ns, **how: str) -> Running:
        made.append(Running(box(**how), clock))
        return made[-1]

    yield start
    for one in made:
        one.tap.stop()
        one.ended()


def test_it_waits_for_a_port_that_is_not_there_and_stops_when_asked(running: Callable[..., Running]) -> None:
    tap = running()
    picture = tap.until(lambda shown: shown["verdict"]["state"] == "no-go")
    assert picture["lines"][0]["port_state"] == "missing"
    assert "port" in picture["verdict"]["says"]
    tap.tap.stop()
    assert tap.ended() == 0
    assert list(tap.settings.run_folder.iterdir()) == []  # no picture that lies, no socket that nobody answers
    with History(tap.settings.history) as history:
        (watch,) = history.watches()
        assert watch.ended_how == "stopped"
        assert [(fault.kind, fault.end_ns) for fault in history.faults(watch.id)] == [("port-lost", watch.ended_ns)]


def test_bytes_of_a_port_reach_the_history(running: Callable[..., Running], tmp_path: Path) -> None:
    master, slave = os.openpty()
    try:
        tty.setraw(slave)
        (tmp_path / "port").symlink_to(os.ttyname(slave))
        tap = running()
        tap.until(lambda shown: shown["lines"][0]["port_state"] == "open")
        os.write(master, b"$GPHDT,74.20,T*34\r\n")
        tap.until(lambda shown: shown["lines"][0]["bytes"]["total"] == 19)
        tap.tap.stop()
        assert tap.ended() == 0
    finally:
        os.close(master)
        os.close(slave)
    with History(tap.settings.history) as history:
        assert b"".join(chunk.data for chunk in history.chunks(1, "from-receiver")) == b"$GPHDT,74.20,T*34\r\n"


def test_marks_from_the_page_cannot_fill_history(running: Callable[..., Running]) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"] == 1)
    socket = tap.settings.run_folder / SOCKET
    for _ in range(MARKS_MOST):
        ask(socket, {"do": "mark"})
    with pytest.raises(AskError, match="Use the button on the box"):
        ask(socket, {"do": "mark"})


def test_wiggle_tests_cannot_fill_history(running: Callable[..., Running]) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"] == 1)
    socket = tap.settings.run_folder / SOCKET
    for _ in range(WIGGLES_MOST):
        ask(socket, {"do": "wiggle", "on": True})
    with pytest.raises(AskError, match=r"begun 60 times within the last hour.* another can be begun in (59|60) min"):
        ask(socket, {"do": "wiggle", "on": True})
    assert ask(socket, {"do": "wiggle", "on": False}) == {"ok": True}  # what is on can be ended


def test_trying_the_box_cannot_fill_history(running: Callable[..., Running]) -> None:
    """Who asks for it gives no PIN; it is done however often it is asked for."""
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"] == 1)
    for _ in range(TRIED_MOST + 5):
        assert len(ask(tap.settings.run_folder / SOCKET, {"do": "self-test"})["rows"]) == 3
    tap.tap.stop()
    assert tap.ended() == 0
    with History(tap.settings.history) as history:
        assert [mark.source for mark in history.marks(1)] == ["box"] * TRIED_MOST


def test_marks_over_the_socket(running: Callable[..., Running]) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"])
    path = tap.settings.run_folder / SOCKET
    assert ask(path, {"do": "mark", "note": "hand on the plug"}) == {"ok": True}
    assert ask(path, {"do": "mark"}) == {"ok": True}
    with pytest.raises(AskError, match="note must be text"):
        ask(path, {"do": "mark", "note": 3})
    tap.until(lambda shown: [mark["note"] for mark in shown["marks"]] == ["", "hand on the plug"])
    tap.tap.stop()
    assert tap.ended() == 0
    with History(tap.settings.history) as history:
        assert [(mark.source, mark.note) for mark in history.marks(1)] == [("page", "hand on the plug"), ("page", "")]


MINE = 'title = "Mine"\n[line]\nbaud = 4800\nsilence_most_s = 1\n'


def test_needs_over_the_socket(running: Callable[..., Running]) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"])
    path = tap.settings.run_folder / SOCKET
    ask(path, {"do": "needs-keep", "name": "mine", "toml": MINE})
    ask(path, {"do": "needs-use", "name": "mine"})
    tap.until(lambda shown: shown["needs"]["title"] == "Mine" and shown["watch"]["id"] == 2)
    ask(path, {"do": "needs-keep", "name": "mine", "toml": MINE.replace("Mine", "Mine, changed")})  # of the one in use
    tap.until(lambda shown: shown["needs"]["title"] == "Mine, changed" and shown["watch"]["id"] == 3)
    for asked, says in (
        ({"do": "needs-use", "name": "gone"}, 'no sheet called "gone"'),
        ({"do": "needs-use"}, "name must be text"),
        ({"do": "needs-keep", "name": "bad", "toml": "title = 7"}, "title"),
        ({"do": "needs-keep", "name": "bad"}, "must be text"),
        ({"do": "needs-delete", "name": "mine"}, "in use"),
        ({"do": "needs-delete", "name": 7}, "name must be text"),
    ):
        with pytest.raises(AskError, match=says):
            ask(path, asked)
    ask(path, {"do": "needs-use", "name": "alive"})
    ask(path, {"do": "needs-delete", "name": "mine"})
    tap.tap.stop()
    assert tap.ended() == 0
    with History(tap.settings.history) as history:
        assert [watch.needs_name for watch in history.watches()] == ["alive", "mine", "mine", "rate-section"]
        notes = [mark.note for watch in (1, 4) for mark in history.marks(watch)]
    assert any("“mine” was kept" in note for note in notes)
    assert any("“mine” was deleted" in note for note in notes)


def test_the_box_tries_itself(running: Callable[..., Running]) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"] and shown["lamps"]["pattern"] != "test")
    path = tap.settings.run_folder / SOCKET
    lamps, port, card = ask(path, {"do": "self-test"})["rows"]
    assert (lamps["what"], lamps["ok"]) == ("Lamps", None)
    assert (port["what"], port["ok"]) == (f"Port {tap.settings.lines[0].path}", False)
    assert card["ok"], card
    tap.until(lambda shown: shown["lamps"]["pattern"] == "test")
    tap.until(lambda shown: any("not good: Port" in mark["note"] for mark in shown["marks"]))
    assert isinstance(ask(path, {"do": "log"})["rows"], list)


def test_what_the_page_hands_over_leaves_a_mark_of_the_box(running: Callable[..., Running]) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"])
    path = tap.settings.run_folder / SOCKET
    assert ask(path, {"do": "handed-over", "what": "wifi", "of": "{0}" + "x" * 100}) == {"ok": True}
    assert ask(path, {"do": "handed-over", "what": "update", "of": "24 MB"}) == {"ok": True}
    for bad in ({"what": "card", "of": "x"}, {"what": "wifi"}, {"what": ["wifi"], "of": "x"}):
        with pytest.raises(AskError, match="what must be wifi or update or version-before"):
            ask(path, {"do": "handed-over", **bad})
    tap.tap.stop()
    assert tap.ended() == 0
    with History(tap.settings.history) as history:
        told = [(mark.source, mark.note) for mark in history.marks(1)]
    assert told == [
        ("box", "Another Wi-Fi was asked for: “{0}" + "x" * 57 + "”."),
        ("box", "An update of 24 MB came in, to be checked."),
    ]


def test_a_stop_over_the_socket(running: Callable[..., Running]) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"])
    ask(tap.settings.run_folder / SOCKET, {"do": "stop"})
    assert tap.ended() == 0
    with History(tap.settings.history) as history:
        assert [(mark.source, mark.note) for mark in history.marks(1)] == [("page", "asked for a clean stop")]
        assert history.watch(1).ended_how == "stopped"


def test_a_wiggle_test_over_the_socket(running: Callable[..., Running]) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"])
    path, shown = tap.settings.run_folder / SOCKET, tap.settings.run_folder / WIGGLE
    for on in (None, 1, "true"):
        with pytest.raises(AskError, match="on must be true or false"):
            ask(path, {"do": "wiggle", "on": on})
    assert not shown.exists()
    for on in (True, False, True):
        assert ask(path, {"do": "wiggle", "on": on}) == {"ok": True}
        assert json.loads(shown.read_text())["on"] is on  # by the time of the answer it is so
    tap.until(lambda picture: picture["wiggle"])
    tap.tap.stop()
    assert tap.ended() == 0
    assert not shown.exists()
    with History(tap.settings.history) as history:
        assert [mark.note.split(":")[0].split(" ")[2] for mark in history.marks(1)] == [
            "began",
            "ended",
            "began",
            "ended",
        ]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_part_that_died_ends_the_process(running: Callable[..., Running], caplog: pytest.LogCaptureFixture) -> None:
    """The core cannot show its picture any more: its folder is a file."""
    tap = running()
    tap.until(lambda shown: shown)
    folder = tap.settings.run_folder
    folder.rename(folder.with_name("moved"))
    folder.write_text("in the way")
    assert tap.ended() == DIED
    assert "core has died" in caplog.text
    folder.unlink()
    with History(tap.settings.history) as history:  # what can end in good order does
        assert history.watches()[0].ended_how == "stopped"


@pytest.mark.slow
def test_a_part_that_no_longer_moves_ends_the_process(
    running: Callable[..., Running], caplog: pytest.LogCaptureFixture
) -> None:
    """The core hangs in reading its clock; which runs fast, so that it seems long. The lamps do not go on shining."""
    hangs, on = threading.Event(), threading.Event()

    def clock() -> int:
        if hangs.is_set() and threading.current_thread().name == "core":
            on.wait(20)
        return time.monotonic_ns() * 15

    tap = running(clock)
    tap.until(lambda shown: shown["watch"]["id"])
    lamps = tap.tap._core._lamps
    assert lamps is not None
    while not lamps.red:
        time.sleep(0.001)
    hangs.set()
    try:
        assert tap.ended() == DIED
        assert not lamps.red
        assert lamps._open == []
    finally:
        on.set()
    assert "core has died" in caplog.text
    assert "it stands at wait (threading.py:" in caplog.text
    assert ", clock (test_daemon.py:" in caplog.text


def test_a_history_held_by_another_is_said_and_does_not_end_the_process(running: Callable[..., Running]) -> None:
    """As a card that does not answer; by a clock that runs fast, so that the box has waited far over ten seconds."""
    tap = running(lambda: time.monotonic_ns() * 15)
    tap.until(lambda shown: shown["watch"]["id"])
    holding = sqlite3.connect(tap.settings.history, isolation_level=None)
    try:
        holding.execute("BEGIN IMMEDIATE")
        assert ask(tap.settings.run_folder / SOCKET, {"do": "mark"}) == {"ok": True}
        tap.until(lambda shown: "cannot be written" in shown["box"]["history_says"])
        assert tap.status is None
        holding.execute("ROLLBACK")
        tap.until(lambda shown: shown["box"]["history_says"] == "")
    finally:
        holding.close()
    tap.tap.stop()
    assert tap.ended() == 0
    with History(tap.settings.history) as history:
        assert [mark.source for mark in history.marks(1)] == ["page"]


def test_the_button_held_stops_the_tap(running: Callable[..., Running]) -> None:
    tap = running(lambda: time.monotonic_ns() * 8)
    tap.until(lambda shown: shown["lamps"]["pins"] == "mock")
    lamps = tap.tap._core._lamps
    assert lamps is not None
    lamps.factory.pin(tap.settings.button).drive_low()
    assert tap.ended() == 0


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_stops_it_in_good_order(box: Box, number: signal.Signals) -> None:
    settings = box()
    before = {one: signal.getsignal(one) for one in (signal.SIGTERM, signal.SIGINT)}

    def send() -> None:
        end = time.monotonic() + 20
        while not (settings.run_folder / PICTURE).exists() and time.monotonic() < end:
            time.sleep(0.01)
        os.kill(os.getpid(), number)

    sender = threading.Thread(target=send)
    sender.start()
    try:
        assert daemon.run(settings) == 0
    finally:
        sender.join()
        for one, handler in before.items():
            signal.signal(one, handler)
    with History(settings.history) as history:
        (watch,) = history.watches()
        assert watch.ended_how == "stopped"


@pytest.mark.parametrize(
    ("which", "told"), [("all", "All watches erased."), (1, "Watch 1 erased."), (7, "Watch 7 could not be erased: ")]
)
def test_it_erases_when_asked_and_a_mark_tells_how_it_went(
    running: Callable[..., Running], which: str | int, told: str
) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"] == 1)
    assert ask(tap.settings.run_folder / SOCKET, {"do": "erase", "watch": which}) == {"ok": True}
    picture = tap.until(lambda shown: any("erased" in mark["note"] for mark in shown["marks"]))
    assert picture["marks"][0]["note"].startswith(told)
    assert picture["marks"][0]["source"] == "box"


@pytest.mark.parametrize("which", [None, True, "some", 1.5, 2**63])
def test_it_erases_nothing_that_is_not_named(running: Callable[..., Running], which: object) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"] == 1)
    with pytest.raises(AskError, match="number of a watch"):
        ask(tap.settings.run_folder / SOCKET, {"do": "erase", "watch": which})


def test_a_job_is_in_history_when_the_answer_comes(running: Callable[..., Running]) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"] == 1)
    socket, job = tap.settings.run_folder / SOCKET, {"machine": " Tractor \u03a9 ", "notes": "\U0001f69c" * 800}
    for which in (None, 1):
        asked_ns = time.time_ns()
        assert ask(socket, {"do": "job", "watch": which, "job": job})["ok"] is True
        with History(tap.settings.history) as history:
            kept = history.job(1)
        assert kept is not None
        assert (kept.job.machine, len(kept.job.notes)) == ("Tractor \u03a9", 800)
        assert abs(kept.changed_utc_ns - asked_ns) < 10e9


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"watch": 7, "job": {}}, "There is no watch 7"),
        ({"watch": True, "job": {}}, "number of a watch"),
        ({"watch": 2**63, "job": {}}, "number of a watch"),
        ({"watch": 1, "job": None}, "must be an object"),
        ({"watch": 1, "job": {"notes": "x" * 801}}, "shorten it to 800 characters"),
        ({"watch": 1, "job": {"machine": 3}}, "Machine must be text"),
    ],
)
def test_a_job_that_cannot_be_kept_is_told(running: Callable[..., Running], asked: dict[str, Any], says: str) -> None:
    tap = running()
    tap.until(lambda shown: shown["watch"]["id"] == 1)
    with pytest.raises(AskError, match=says):
        ask(tap.settings.run_folder / SOCKET, {"do": "job", **asked})
