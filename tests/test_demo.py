"""The demo: its processes against small real ones."""

from __future__ import annotations

import signal
import socket
import sys
import time
from pathlib import Path

import pytest

from appliance import demo
from appliance.settings import from_toml


def child(tmp_path: Path, code: str) -> demo.Child:
    return demo.Child.start("tap", [sys.executable, "-c", code], tmp_path / "tap.log")


def test_a_child_that_dies_is_told_with_its_last_words(tmp_path: Path) -> None:
    dead = child(tmp_path, "import sys; sys.exit('the port is on fire')")
    dead.process.wait(10)
    said = dead.obituary()
    assert said is not None
    assert "tap ended by itself with exit code 1" in said
    assert "the port is on fire" in said
    assert dead.end(1) == said


def test_a_child_that_is_killed_is_told(tmp_path: Path) -> None:
    dead = child(tmp_path, "import time; time.sleep(60)")
    dead.process.kill()
    dead.process.wait(10)
    assert dead.obituary() == f"tap was ended by signal {signal.SIGKILL}. It said nothing."


def test_a_child_that_the_page_stops_is_told_as_stopped(tmp_path: Path) -> None:
    dead = child(tmp_path, "pass")
    dead.process.wait(10)
    assert dead.obituary() == "tap ended in good order: it was asked to on the page."


READY = "import signal, sys, time; signal.signal(signal.SIGTERM, {handler}); print('ready', flush=True); time.sleep(60)"


def ready(tmp_path: Path, handler: str) -> demo.Child:
    """A process that has its handler of SIGTERM in place."""
    living = child(tmp_path, READY.format(handler=handler))
    until_s = time.monotonic() + 10
    while "ready" not in living.log.read_text() and time.monotonic() < until_s:
        time.sleep(0.01)
    assert living.obituary() is None
    return living


def test_a_child_that_ends_as_asked(tmp_path: Path) -> None:
    assert ready(tmp_path, "lambda *_: sys.exit(0)").end(10) is None
    assert ready(tmp_path, "signal.SIG_DFL").end(10) is None


def test_a_child_that_ends_badly_or_not_at_all(tmp_path: Path) -> None:
    said = ready(tmp_path, "lambda *_: sys.exit('history lost')").end(10)
    assert said is not None
    assert "history lost" in said
    deaf = ready(tmp_path, "signal.SIG_IGN")
    said = deaf.end(0.1)
    assert said is not None
    assert "was killed" in said
    assert deaf.process.returncode == -signal.SIGKILL


def test_a_port_in_use_is_told_before_anything_starts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert demo.run(port, tmp_path / "box", 1.0) == 1
    said = capsys.readouterr().out
    assert said == f"Port {port} is in use by another program. Choose another one with --web-port.\n"
    assert not (tmp_path / "box").exists()


def test_a_port_that_does_not_exist_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert demo.run(70_000, tmp_path, 1.0) == 1
    assert "70000 does not exist" in capsys.readouterr().out


def test_the_settings_are_those_of_a_box(tmp_path: Path) -> None:
    folder = tmp_path / 'a "quoted" \\ földer'
    settings = from_toml(demo.settings_text("/dev/pts/7", folder, 8081), "demo", folder)
    assert (settings.machine, settings.needs, settings.pins) == (demo.MACHINE, "rate-section", "mock")
    assert [(line.name, line.path, line.baud) for line in settings.lines] == [("from-receiver", "/dev/pts/7", 38400)]
    assert settings.history == folder / "history.db"
    assert settings.run_folder == folder / "run"
    assert (settings.web_host, settings.web_port) == ("127.0.0.1", 8081)


def test_signals_ask_for_an_end_and_are_given_back() -> None:
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    for number in before:
        with demo.asked_to_end() as asked:
            assert not asked.is_set()
            signal.raise_signal(number)
            assert asked.is_set()
        assert {other: signal.getsignal(other) for other in before} == before
