"""The watch over what tests leave behind must itself catch each kind of leak, and let clean tests pass."""

from __future__ import annotations

from pathlib import Path

import pytest

LEAKS = """
import sqlite3, threading
import gpiozero, pytest
from gpiozero.pins.mock import MockFactory

kept = []

def test_thread():
    stop = threading.Event()
    kept.append(stop)
    threading.Thread(target=stop.wait, name="left-running", daemon=True).start()

def test_descriptor():
    kept.append(open("/dev/null"))

def test_connection():
    kept.append(sqlite3.connect(":memory:"))

def test_pin():
    kept.append(gpiozero.LED(3, pin_factory=MockFactory()))

@pytest.mark.browser
def test_browser_is_let_off():
    kept.append(open("/dev/null"))

def test_clean(tmp_path):
    connection = sqlite3.connect(tmp_path / "history")
    connection.execute("create table t (a)")
    connection.close()
    with gpiozero.LED(4, pin_factory=MockFactory()):
        pass
    thread = threading.Thread(target=print)
    thread.start()
    thread.join()

def test_close_all():
    kept[0].set()
    for one in kept[1:]:
        one.close()

def test_recordings(recordings):
    pass
"""

CAUGHT = {
    "test_thread": "threads running: left-running",
    "test_descriptor": "file descriptors open:*/dev/null",
    "test_connection": "SQLite connections open:*Connection*",
    "test_pin": "gpiozero devices holding a pin:*LED object on pin GPIO3*",
}


@pytest.mark.slow
def test_each_kind_of_leak_fails_its_test(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LINELAMP_RECORDINGS", raising=False)
    pytester.makeconftest((Path(__file__).parent / "conftest.py").read_text(encoding="utf-8"))
    pytester.makeini("[pytest]\nfilterwarnings = error\nmarkers = browser: needs a Chromium\n")
    pytester.makepyfile(LEAKS)
    result = pytester.runpytest_subprocess("-rs", "-p", "no:cacheprovider")
    result.assert_outcomes(passed=7, errors=len(CAUGHT), skipped=1)
    for test, says in CAUGHT.items():
        result.stdout.fnmatch_lines([f"*ERROR at teardown of {test} *", f"the test left behind {says}*"])
    result.stdout.fnmatch_lines(["*SKIPPED*no recordings: LINELAMP_RECORDINGS does not name their folder*"])
