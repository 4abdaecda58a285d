"""The main job, end to end: bytes into a real pty, the real tap in a process of its own, history and exports out."""

from __future__ import annotations

import io
import json
import os
import select
import signal
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from appliance import check, export
from appliance.asking import AskError, ask
from appliance.history.reader import History
from appliance.judge import needs
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.source import open_source

pytestmark = pytest.mark.slow

SETTINGS = """
machine = "Larkmere tractor 3"
history = "history.db"
run_folder = "run"
[line.from-receiver]
port = "line"
[lamps]
pins = "mock"
"""


class Cab:
    """A pty whose master end is the receiver, and the tap listening at its slave end."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.came_back = b""
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        (folder / "line").symlink_to(os.ttyname(self.slave))
        (folder / "linelamp.toml").write_text(SETTINGS.replace('"line"', json.dumps(str(folder / "line"))))
        self.tap: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [sys.executable, "-m", "appliance", "tap", "--settings", str(self.folder / "linelamp.toml")]
        self.tap = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        self.wait_for(lambda picture: picture["lines"][0]["port_state"] == "open" and picture["watch"]["id"])

    def picture(self) -> dict:  # type: ignore[type-arg]
        try:
            return json.loads((self.folder / "run" / "picture.json").read_text())  # type: ignore[no-any-return]
        except FileNotFoundError:
            return {"lines": [{"port_state": "missing", "bytes": {"total": 0}}], "watch": {"id": None}}

    def wait_for(self, wanted, within_s: float = 20.0) -> None:  # type: ignore[no-untyped-def]
        until = time.monotonic() + within_s
        while not wanted(self.picture()):
            assert self.tap is not None
            assert self.tap.poll() is None, self.tap.stderr.read() if self.tap.stderr else ""
            assert time.monotonic() < until, self.picture()
            time.sleep(0.05)

    def play(self, data: bytes, piece: int = 2000) -> None:
        """Writes as fast as the pty takes it, and keeps whatever comes back."""
        os.set_blocking(self.master, False)
        sent = 0
        while sent < len(data):
            ready, free, _ = select.select([self.master], [self.master], [], 5)
            assert ready or free, "the tap no longer reads"
            if ready:
                self.came_back += os.read(self.master, 4096)
            if free:
                sent += os.write(self.master, data[sent : sent + piece])

    def stop(self) -> None:
        assert self.tap is not None
        self.tap.send_signal(signal.SIGTERM)
        _, said = self.tap.communicate(timeout=20)
        assert self.tap.returncode == 0, said
        self.tap = None
        if select.select([self.master], [], [], 0)[0]:
            self.came_back += os.read(self.master, 4096)

    def close(self) -> None:
        if self.tap is not None:
            self.tap.kill()
            self.tap.communicate()
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def cab(tmp_path: Path) -> Iterator[Cab]:
    made = Cab(tmp_path)
    yield made
    made.close()


def exported(cab: Cab, form: str, watch: int | None = None) -> bytes:
    out = io.BytesIO()
    with export.opened(cab.folder / "history.db", export.Wanted(form, watch, "from-receiver", None, None)) as leaving:
        leaving.write_to(out)
    return out.getvalue()


def untagged(text: bytes) -> bytes:
    """The rows of a tagged log without their blocks, by nothing but the standard's second backslash."""
    return b"".join(row.split(b"\\", 2)[2] for row in text.splitlines(keepends=True))


def received(cab: Cab, size: int) -> None:
    cab.wait_for(lambda picture: picture["lines"][0]["bytes"]["total"] == size)


def test_all_that_comes_is_kept_and_nothing_is_sent(cab: Cab) -> None:
    first = b"".join(burst.data for burst in Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, 300))
    noisy = first[:5000] + bytes(range(256)) * 8 + first[5000:9000] + b"$GPGGA,cut" + first[9000:20000]
    cab.start()
    cab.play(first)
    received(cab, len(first))
    cab.stop()
    cab.start()  # a second start goes on in the same history
    cab.play(noisy)
    received(cab, len(noisy))
    cab.stop()
    assert cab.came_back == b""
    with History(cab.folder / "history.db") as history:
        second, earlier = history.watches()
        assert earlier.ended_how == second.ended_how == "stopped"
    assert exported(cab, "raw", earlier.id) == first
    assert exported(cab, "raw", second.id) == noisy
    assert untagged(exported(cab, "text", earlier.id)) == first


def test_a_mark_asked_for_over_the_socket_is_in_history(cab: Cab) -> None:
    cab.start()
    assert ask(cab.folder / "run" / "tap.sock", {"do": "mark", "note": "hand on the connector"}) == {"ok": True}
    known = "catch-up, erase, handed-over, job, log, mark, needs-delete, needs-keep, needs-use, self-test, stop, wiggle"
    with pytest.raises(AskError, match=f"known: {known}"):
        ask(cab.folder / "run" / "tap.sock", {"do": "speak"})
    cab.wait_for(lambda picture: picture.get("marks"))
    cab.stop()
    with History(cab.folder / "history.db") as history:
        watch = history.latest()
        assert watch is not None
        assert [(mark.source, mark.note) for mark in history.marks(watch.id)] == [("page", "hand on the connector")]


def test_an_unplugged_port_is_said_and_waited_for(cab: Cab) -> None:
    data = b"".join(burst.data for burst in Receiver(ReceiverSettings(), Drive(2), 2).epochs(0, 5))
    cab.start()
    os.close(cab.master)
    os.close(cab.slave)
    cab.wait_for(lambda picture: picture["lines"][0]["port_state"] in ("lost", "missing"))
    cab.wait_for(lambda picture: picture["verdict"]["state"] == "no-go" and picture["checks"][0]["id"] == "port-lost")
    cab.master, cab.slave = os.openpty()
    tty.setraw(cab.slave)
    (cab.folder / "line").unlink()
    (cab.folder / "line").symlink_to(os.ttyname(cab.slave))
    cab.wait_for(lambda picture: picture["lines"][0]["port_state"] == "open")
    cab.play(data)
    received(cab, len(data))
    cab.stop()
    assert exported(cab, "raw") == data


@pytest.mark.parametrize("name", ["road-vehicle-2s.nmea", "rtk-class-1hz.nmea"])
def test_real_recordings_come_through_whole(cab: Cab, recordings: Path, name: str) -> None:
    data = (recordings / name).read_bytes()
    cab.start()
    cab.play(data)
    received(cab, len(data))
    cab.stop()
    assert cab.came_back == b""
    assert exported(cab, "raw") == data
    assert untagged(exported(cab, "text")) == data


@pytest.mark.parametrize("name", ["road-vehicle-2s.nmea", "rtk-class-1hz.nmea"])
def test_a_tagged_export_judges_like_its_history(cab: Cab, recordings: Path, name: str, tmp_path: Path) -> None:
    """The text taken away holds what the history holds: same counts, same bytes, times within its millisecond."""
    cab.start()
    cab.play((recordings / name).read_bytes()[:200_000])
    received(cab, len((recordings / name).read_bytes()[:200_000]))
    cab.stop()
    (tmp_path / "taken.nmea").write_bytes(exported(cab, "text"))
    sheet = needs.load("alive")
    results = []
    for path in (tmp_path / "taken.nmea", cab.folder / "history.db"):
        recording = check.Recording(open_source(path, sheet), sheet)
        recording.run()
        results.append(recording.result())
    tagged, kept = results
    assert tagged["arrival_measured"]
    assert kept["arrival_measured"]
    assert [(m["type"], m["count"]) for m in tagged["messages"]] == [(m["type"], m["count"]) for m in kept["messages"]]
    assert abs(tagged["span"]["seconds"] - kept["span"]["seconds"]) < 0.1
