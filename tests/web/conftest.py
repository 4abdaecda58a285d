"""A live picture as the listening part writes it, a history of a past morning, and the page over both. All invented."""

from __future__ import annotations

import copy
import json
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from appliance.history.rows import Clip, FaultRow, LossRow, LossWhat, MarkRow, SecondRow, State, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.judge import needs
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.site import create_app
from appliance.site.handing_over import Unit

NS = 1_000_000_000
STARTED_NS = 500 * NS
STARTED_UTC = datetime(2026, 5, 4, 9, 12, 0, tzinfo=UTC)
MINUTES = 20
BYTE_NS = 260_417  # a byte of 10 bits at 38,400 baud
AWAY = "GGA was away for 30.2 s; a gap of at most 0.6 s is allowed."
FULL = "The line was {} % full in its fullest second; at most 80 % is allowed."
MACHINE = "Larkmere tractor 3"  # invented
PIN = "405162"  # invented
NEEDS = needs.text("rate-section")


def _message(
    type_: str, words: str, rate_hz: float, needed_hz: float | None, *fields: tuple[str, str]
) -> dict[str, Any]:
    return {
        "talker": "GN", "type": type_, "words": words, "count": int(rate_hz * 312), "bad": 0, "bad_by_reason": {},
        "rate_hz": rate_hz, "rate_60_hz": rate_hz, "rate_watch_hz": rate_hz, "median_interval_s": 1 / rate_hz,
        "longest_gap_s": 1.05 / rate_hz, "jitter_s": 0.0021, "jitter_p95_s": 0.004, "last_s": 0.1,
        "needed_hz": needed_hz, "fields": [list(field) for field in fields],
    }  # fmt: skip


def _check(name: str, measured: float | None, needed: float | None, unit: str, says: str) -> dict[str, Any]:
    """name: the check's id and its message, such as "gap GGA"."""
    id_, _, message = name.partition(" ")
    return {
        "id": id_, "line": "from-receiver", "message": message, "state": "pass",
        "measured": measured, "needed": needed, "unit": unit, "says": says,
    }  # fmt: skip


PICTURE: dict[str, Any] = {
    "format": 1, "version": "0.1.0", "at_utc": "2026-05-04T09:17:12.200Z", "machine": MACHINE,
    "verdict": {
        "state": "go", "since_s": 302.4, "says": "All that the controller needs is coming.",
        "clean_s": 312.4, "clean_run_s": 10.0,
    },
    "needs": {"name": "rate-section", "title": "Rate and section controller, usual set"},
    "checks": [
        _check("silent", 0.0, 0.6, "s", "Bytes are coming; the last pause was within 0.6 s."),
        _check("message-missing GGA", None, None, "s", "GGA is coming."),
        _check("gap GGA", 0.1, 0.6, "s", "GGA has had no gap over 0.6 s of late."),
        _check("rate-low GGA", 5.0, 4.5, "Hz", "GGA comes at 5 Hz; at least 4.5 Hz is needed."),
        _check("rate-low VTG", 5.0, 4.5, "Hz", "VTG comes at 5 Hz; at least 4.5 Hz is needed."),
        _check("rate-low RMC", 1.0, 0.9, "Hz", "RMC comes at 1 Hz; at least 0.9 Hz is needed."),
        _check("rate-low ZDA", 1.0, 0.9, "Hz", "ZDA comes at 1 Hz; at least 0.9 Hz is needed."),
        _check("load-high", 0.24, 0.8, "ratio", FULL.format(24)),
    ],
    "lines": [
        {
            "name": "from-receiver", "port": "/dev/ttyAMA0", "port_state": "open", "port_says": "", "baud": 38400,
            "format": "8N1", "floor_s": 0.00083, "said": [],
            "setting": {
                "line": "from-receiver", "baud": 38400, "format": "8N1", "carries": "text", "needed_baud": 38400,
                "confidence": 0.998,
            },
            "counters": {"framing": 0, "parity": 0, "breaks": 0, "lost_here": 0},
            "bytes": {"total": 256000, "framed": 255960, "junk": 40}, "bytes_per_s": 820.0,
            "load_mean": 0.21, "load_worst": 0.24, "silence_s": 0.05, "longest_silence_s": 0.2,
            "damaged": {},
            "messages": [
                _message("GGA", "position and fix", 5.0, 5.0, ("UTC", "091712.20"), ("latitude", "5204.12345678")),
                _message("VTG", "course and speed", 5.0, 5.0, ("true course", "81.0"), ("mode", "R")),
                _message("RMC", "position, speed and date", 1.0, 1.0, ("UTC", "091712.00"), ("status", "A")),
                _message("ZDA", "date and time", 1.0, 1.0, ("UTC", "091712.00"), ("day", "04")),
                _message("GSV", "satellites in view", 4.0, None, ("sentences in all", "4"), ("signal", "")),
            ],
            "fix": {
                "quality": 4, "quality_words": "RTK fixed", "seconds_by_quality": {"4": 290.0, "5": 22.0},
                "satellites": 18, "hdop": 0.7, "age_s": 1.0, "age_max_s": 2.0, "decimals": 8,
                "latitude_deg": 52.068724276, "longitude_deg": -1.204411312, "speed_mps": 2.4, "course_deg": 81.0,
                "time_utc": "09:17:12.2", "date_utc": "2026-05-04",
            },
            "motion": {
                "speed_ratio": 1.0021, "speed_difference_p95_mps": 0.083, "largest_jump_m": 0.031, "cep_m": 0.0072,
                "two_drms_m": 0.0181,
            },
            "clock": {
                "offset_s": -33_412.3, "slope_ppm": -12.34, "steps": [], "delay_p50_s": 0.0031, "delay_p95_s": 0.0124,
                "epoch_span_p95_s": 0.0612, "box_ahead_s": 1.27,
                "epochs": {"complete": 1557, "incomplete": 2, "absent": 1, "late": 3, "missing": {"VTG": 2, "ZDA": 0}},
            },
        }
    ],
    "watch": {"id": 1, "seconds": 312.4, "started_utc": "2026-05-04T09:12:00.000Z"},
    "clock": {"source": "line", "uncertainty_s": 0.01},
    "lamps": {"pins": "mock", "green": True, "red": False, "pattern": "go"},
    "wiggle": False,
    "controller_saw": {"asked": ["position", "speed"], "lost_s": {"position": 0.0, "speed": 0.0}, "spans": []},
    "box": {"dropped": 0, "history_says": "", "says": []},
    "faults_open": [], "faults_recent": [], "marks": [],
}  # fmt: skip


def turn(picture: dict[str, Any], state: str) -> dict[str, Any]:
    """The same picture with another verdict: "wait" before enough was heard, "no-go" while GGA is away."""
    turned = copy.deepcopy(picture)
    verdict, gga = turned["verdict"], turned["lines"][0]["messages"][0]
    turned["lamps"] |= {"pattern": state, "green": state == "go", "red": state == "no-go"}
    if state == "wait":
        verdict |= {
            "since_s": 4.2,
            "clean_s": 4.0,
            "says": "Nothing is wrong so far; not enough was heard yet to say go.",
        }
        for check in turned["checks"][3:]:
            check |= {
                "state": "unknown",
                "measured": None,
                "says": f"The rate of {check['message'] or 'the line'} cannot be told yet.",
            }
    if state == "no-go":
        says = "GGA was away for 3.1 s; a gap of at most 0.6 s is allowed."
        verdict |= {"since_s": 2.5, "clean_s": 0.0, "says": says}
        turned["checks"][2] |= {"state": "fail", "measured": 3.1, "says": says}
        slow = "GGA comes at 4.1 Hz; at least 4.5 Hz is needed."
        turned["checks"][3] |= {"state": "fail", "measured": 4.1, "says": slow}
        turned["checks"].sort(key=lambda check: check["state"] != "fail")
        gga |= {"rate_hz": 4.1, "longest_gap_s": 3.1, "last_s": 3.1, "bad": 3}
        turned["lines"][0]["damaged"] = {"checksum-bad": 3}
        turned["faults_open"] = [
            {
                "kind": "gap", "line": "from-receiver", "message": "GGA", "start_s": 309.9, "end_s": None,
                "start_utc": "2026-05-04T09:17:09.700Z", "end_utc": None, "says": says,
            }
        ]  # fmt: skip
    verdict["state"] = state
    return turned


class Page:
    """The page's application with the files it reads. answers: what the listening part says to each request."""

    def __init__(self, folder: Path) -> None:
        self.picture_path = folder / "picture.json"
        self.history_path = folder / "history.db"
        self.socket_path = folder / "tap.sock"
        self.stop = threading.Event()
        self.app: Flask = create_app(
            self.picture_path, self.history_path, self.socket_path, machine=MACHINE, pin=PIN,
            state_folder=folder / "web", needs_folders=[folder / "needs", folder / "sheets"], stop=self.stop,
            unit=Unit(self.history_path, signers=folder / "signers", wifi_now=folder / "wifi-now.json",
                      programs=folder / "programs"),
        )  # fmt: skip
        self.client: FlaskClient = self.app.test_client()

    def show(self, picture: dict[str, Any]) -> None:
        """Replaces the picture as the listening part does."""
        fresh = self.picture_path.with_suffix(".new")
        fresh.write_text(json.dumps(picture))
        fresh.replace(self.picture_path)

    @contextmanager
    def kept_up(self, picture: dict[str, Any]) -> Iterator[None]:
        """Shows it again and again, as the listening part does: on a slow machine a picture is soon an old one."""
        over = threading.Event()

        def again() -> None:
            while not over.wait(0.3):
                self.show(picture)

        self.show(picture)
        showing = threading.Thread(target=again)
        showing.start()
        try:
            yield
        finally:
            over.set()
            showing.join()

    def equip(self) -> None:
        """Makes it the page of a box that has the unit for updates and Wi-Fi, and a version before this one."""
        folder = self.history_path.parent
        for name in ("update", "wifi", "programs/a", "programs/b"):
            (folder / name).mkdir(parents=True)
        (folder / "programs/now").symlink_to("a")
        (folder / "programs/b/release.json").write_text('{"version": "0.0.9", "schema": 5, "made": "2026-05-01"}')
        (folder / "signers").touch()
        (folder / "wifi-now.json").write_text('{"on": true, "name": "Larkmere 3", "country": "IE", "channel": 3}')

    def html(self, path: str = "/", status: int = 200) -> str:
        """A page's text."""
        answer = self.client.get(path)
        assert answer.status_code == status, answer.text
        return answer.text


def sentence(body: str) -> bytes:
    """A whole sentence around body."""
    return f"${body}*{checksum(body.encode()):02X}\r\n".encode()


def _evidence() -> Clip:
    """A scrap, a good sentence, a spoilt one and one that the excerpt cuts."""
    spoilt = b"$GPG\xc3\x00<i>X*11\r\n"
    raw = b"3.1*00\r\n" + sentence("GPZDA,091700.00,04,05,2026,00,00") + spoilt + b"$GPRMC,0917"
    return Clip("whole", "from-receiver", (Chunk(raw, STARTED_NS + 299 * NS, BYTE_NS),))


LOST: tuple[tuple[LossWhat, float, float], ...] = (
    ("position", 300.6, 330.2),
    ("speed", 900.0, 902.5),
    ("speed", 904.0, 904.4),
)
"""What the controller would have lost, from and to, in seconds of the watch."""


def _verdict(second: int) -> State:
    if second < 10:
        return "wait"
    return "no-go" if 300 <= second < 330 else "go"


def morning(path: Path, *, started_utc: datetime = STARTED_UTC, machine: str = MACHINE, says: str = AWAY) -> None:
    """A watch of MINUTES minutes at a sentence a second, with a no-go of 30 s and two faults, the second still on.

    machine, says: what the watch and the first fault are called.
    """
    utc_ns = int(started_utc.timestamp()) * NS
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(STARTED_NS, utc_ns, "rate-section", NEEDS, machine, "0.1.0"))
        writer.date_watch(utc_ns - STARTED_NS, 0.01)
        for second in range(MINUTES * 60):
            at_ns, when = STARTED_NS + second * NS, started_utc + timedelta(seconds=second)
            raw = sentence(f"GPGGA,{when:%H%M%S}.00,5204.1,N,00112.2,W,4,12,0.7,80.1,M,46.9,M,1.0,0001")
            writer.add_chunk("from-receiver", Chunk(raw, at_ns, BYTE_NS))
            row = SecondRow("from-receiver", at_ns, len(raw), 1, 0, 0, 0.02, _verdict(second), messages={"GPGGA": 1})
            writer.add_second(row)
        begin_ns, end_ns = STARTED_NS + 300 * NS, STARTED_NS + 330 * NS
        gap = FaultRow("gap", "from-receiver", "GGA", begin_ns, end_ns, says, 30.2, 0.6, "s", (_evidence(),))
        writer.open_fault("gap GGA", replace(gap, end_ns=None, evidence=()))
        writer.commit()
        writer.close_fault("gap GGA", gap)
        full = FULL.format(91)
        last_ns = STARTED_NS + (MINUTES * 60 - 1) * NS
        writer.open_fault("load", FaultRow("load-high", "from-receiver", "", last_ns, None, full, 0.91, 0.8, "ratio"))
        for what, begin_s, end_s in LOST:
            lost = LossRow(what, STARTED_NS + int(begin_s * NS), STARTED_NS + int(end_s * NS))
            writer.close_loss(f"{what} {begin_s}", lost)
        writer.add_mark(MarkRow(STARTED_NS + 320 * NS, "button", "row 12"))
        writer.commit()


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    """The page over a folder that holds nothing yet."""
    made = Page(tmp_path)
    yield made
    made.stop.set()


@pytest.fixture
def picture() -> dict[str, Any]:
    """A live picture in which all is well."""
    return copy.deepcopy(PICTURE)


@pytest.fixture
def turned() -> Callable[[dict[str, Any], str], dict[str, Any]]:
    return turn


@pytest.fixture
def past(page: Page) -> Page:
    """The page over the history of a morning."""
    morning(page.history_path)
    return page


@pytest.fixture
def evil_morning(page: Page) -> Callable[[str, str], None]:
    """Makes a history whose machine and first fault are called as one likes."""
    return lambda machine, says: morning(page.history_path, machine=machine, says=says)


class Listener:
    """The listening part's command socket. heard: the requests; answers with `answer`."""

    def __init__(self, path: Path) -> None:
        self.heard: list[dict[str, Any]] = []
        self.answer: dict[str, Any] = {"ok": True}
        self._server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._server.bind(str(path))
        self._server.listen()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            connection, _ = self._server.accept()
            with connection, connection.makefile("rwb") as stream:
                request = json.loads(stream.readline() or b"null")
                if request is None:
                    return
                self.heard.append(request)
                stream.write(json.dumps(self.answer).encode() + b"\n")

    def close(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as ending:
            ending.connect(self._server.getsockname())
        self._thread.join(5)
        self._server.close()


@pytest.fixture
def listener(page: Page) -> Iterator[Listener]:
    made = Listener(page.socket_path)
    yield made
    made.close()


@pytest.fixture
def box(past: Page, listener: Listener) -> Page:
    """The page of an installation that has the unit for updates and Wi-Fi."""
    listener.answer = {"ok": True, "rows": []}
    past.equip()
    return past


@pytest.fixture
def soon() -> Callable[[Callable[[], bool]], float]:
    """Waits until something holds, at most 20 s; gives how long it took in s."""

    def wait(holds: Callable[[], bool]) -> float:
        began = time.monotonic()
        while not holds():
            assert time.monotonic() - began < 20, "it did not come about"
            time.sleep(0.02)
        return time.monotonic() - began

    return wait


SERVE = """
import sys
from pathlib import Path
from types import SimpleNamespace
from appliance import site
folder = Path(sys.argv[1])
settings = SimpleNamespace(run_folder=folder, history=folder / "history.db", machine="box", pin="405162")
settings.needs_folders = [folder / "needs"]
settings.web_host, settings.web_port = "127.0.0.1", int(sys.argv[2])
sys.exit(site.run(settings))
"""

SERVE_EQUIPPED = """
import sys
from pathlib import Path
from appliance.site import create_app
from appliance.site.handing_over import Unit
from appliance.site.serve import serve
folder = Path(sys.argv[1])
unit = Unit(folder / "history.db", signers=folder / "signers", wifi_now=folder / "wifi-now.json",
            programs=folder / "programs")
app = create_app(folder / "picture.json", folder / "history.db", folder / "tap.sock", pin="405162", unit=unit)
serve(app, "127.0.0.1", int(sys.argv[2]))
"""

SERVE_BRIEFLY = """
import sys
from pathlib import Path
from appliance.site import create_app
from appliance.site.handing_over import Unit
from appliance.site.serve import serve
folder = Path(sys.argv[1])
app = create_app(folder / "picture.json", folder / "history.db", folder / "tap.sock")
serve(app, "127.0.0.1", int(sys.argv[2]), asking_most_s=1.0)
"""


class Server:
    """The page under its real server, in a process of its own; always on the same port."""

    def __init__(self, folder: Path, soon: Callable[[Callable[[], bool]], float], program: str = SERVE) -> None:
        self._program = program
        self._folder = folder
        self._soon = soon
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]
        self.start()

    def start(self) -> None:
        """Returns once it answers."""
        self.process = subprocess.Popen([sys.executable, "-c", self._program, str(self._folder), str(self.port)])
        self._soon(self._answers)

    def _answers(self) -> bool:
        with socket.socket() as attempt:
            return attempt.connect_ex(("127.0.0.1", self.port)) == 0

    def kill(self) -> None:
        """Ends it as a power cut does."""
        self.process.kill()
        self.process.wait()


@pytest.fixture
def server(page: Page, picture: dict[str, Any], soon: Callable[[Callable[[], bool]], float]) -> Iterator[Server]:
    """The served page, with a picture in which all is well."""
    page.show(picture)
    made = Server(page.picture_path.parent, soon)
    yield made
    made.kill()


@pytest.fixture
def hasty(page: Page, picture: dict[str, Any], soon: Callable[[Callable[[], bool]], float]) -> Iterator[Server]:
    """The served page, which gives a request a second to come in."""
    page.show(picture)
    made = Server(page.picture_path.parent, soon, SERVE_BRIEFLY)
    yield made
    made.kill()


@pytest.fixture
def equipped(page: Page, picture: dict[str, Any], soon: Callable[[Callable[[], bool]], float]) -> Iterator[Server]:
    """The served page of a box that has the unit for updates and Wi-Fi."""
    page.show(picture)
    page.equip()
    made = Server(page.picture_path.parent, soon, SERVE_EQUIPPED)
    yield made
    made.kill()


FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--host-resolver-rules=MAP linelamp.local 127.0.0.1",
]  # fmt: skip


def layout_shifts(page: Any) -> list[float]:
    """What has shifted on this page (Layout Instability, WICG), told soon after this returns, and from then on."""
    shifts: list[float] = []
    browser = page.context.new_cdp_session(page)
    browser.on(
        "PerformanceTimeline.timelineEventAdded",
        lambda told: shifts.append(told["event"]["layoutShiftDetails"]["value"]),
    )
    browser.send("PerformanceTimeline.enable", {"eventTypes": ["layout-shift"]})
    return shifts


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A Chromium without a window; the tests of a module share it."""
    from playwright.sync_api import sync_playwright

    path = shutil.which("chromium")
    if path is None:
        pytest.skip("no chromium on this machine: the page was not looked at in a browser")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield opened
        opened.close()
