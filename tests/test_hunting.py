"""Hunting through the real port: the tap in a process of its own, at a pty that is played as it is listened to."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from appliance.history.reader import History
from appliance.line.tuning import read_back
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.wave import encode
from appliance.watch import RECEIVER
from tests.wave_player import WavePlayer

pytestmark = pytest.mark.slow

TRAFFIC_S = 10.0
SETTINGS = """
machine = "Larkmere tractor 3"
history = "history.db"
run_folder = "run"
[line.from-receiver]
port = {port}
[lamps]
pins = "mock"
"""


class Cab:
    """A pty whose master end is played, and the tap listening at its other end."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self._slave = slave
        settings = folder / "linelamp.toml"
        settings.write_text(SETTINGS.format(port=json.dumps(os.ttyname(slave))))
        command = [sys.executable, "-m", "appliance", "tap", "--settings", str(settings)]
        self._tap = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self._ended = threading.Event()
        self.player = WavePlayer(self.master, lambda _words: None, setting_of=read_back)

    def picture(self) -> dict[str, Any]:
        try:
            return dict(json.loads((self.folder / "run" / "picture.json").read_text()))
        except FileNotFoundError:
            return {}

    def play(self, setting: Setting) -> threading.Thread:
        bursts = Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, TRAFFIC_S)
        line = encode(bursts, setting, to_s=TRAFFIC_S)
        start_s = time.monotonic()
        thread = threading.Thread(
            target=self.player.play, args=(iter([line]), iter([]), start_s, lambda _now_s: self._ended.is_set())
        )
        thread.start()
        return thread

    def stop(self) -> int:
        self._tap.send_signal(signal.SIGTERM)
        return self._tap.wait(20)

    def close(self) -> None:
        self._ended.set()
        self._tap.kill()
        self._tap.wait()
        os.close(self.master)
        os.close(self._slave)


@pytest.fixture
def cab(tmp_path: Path) -> Iterator[Cab]:
    made = Cab(tmp_path)
    yield made
    made.close()


def until(wanted: Any, within_s: float) -> Any:
    """What is wanted, as soon as it is there; None if it does not come in time."""
    end_s = time.monotonic() + within_s
    while not (found := wanted()) and time.monotonic() < end_s:
        time.sleep(0.05)
    return found


@pytest.mark.parametrize(
    ("setting", "name"),
    [(Setting(115_200), "baud-wrong"), (Setting.parse(38_400, "7E1"), "format-wrong")],
    ids=["115,200 8N1", "38,400 7E1"],
)
def test_the_setting_is_named_kept_and_nothing_is_sent(cab: Cab, setting: Setting, name: str) -> None:
    assert until(lambda: cab.picture() and cab.picture()["lines"][0]["port_state"] == "open", 20)

    def told() -> dict[str, Any] | None:
        picture = cab.picture()
        named = any(one["id"] == name and one["state"] == "fail" for one in picture["checks"])
        found = picture["lines"][0]["setting"]
        return found if named and (found["baud"], found["format"]) == (setting.baud, setting.name) else None

    playing = cab.play(setting)
    found = until(told, TRAFFIC_S)
    playing.join()
    picture, listening = cab.picture(), read_back(cab.master)
    assert found is not None, picture["checks"][:3]
    assert picture["verdict"]["state"] == "no-go"
    assert found["needed_baud"] == 38_400
    assert (picture["lines"][0]["baud"], picture["lines"][0]["format"]) == (setting.baud, setting.name)
    assert listening == setting
    assert cab.stop() == 0
    with History(cab.folder / "history.db") as history:
        watch = history.latest()
        assert watch is not None
        tunings = [row.setting for row in history.tunings(watch.id, RECEIVER)]
        kinds = {fault.kind for fault in history.faults(watch.id)}
    assert tunings[0] == Setting(38_400)
    assert tunings[-1] == setting
    assert name in kinds
    assert cab.player.came_back == 0
    assert cab.player.sent > 1000
