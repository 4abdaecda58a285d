"""Whether the page can disturb the listening: the error of byte times on a quiet box, and on one whose page is flooded.

    python tests/endurance/flood.py [seconds of each part; 60] [hours in history; 24]

A tap and a web process run as on a box, each with the niceness of its unit, at a pty. A sender of its own, a process
with a better one, plays a receiver at 38,400 baud: eight bytes each 2 ms, as a UART's FIFO hands them over, and notes
when it really wrote each. The parts follow each other in one run:

    quiet    nobody looks at the page
    flooded  50 clients ask for everything there is without a rest, of every rule of the page's own map, marks and
             wiggle tests included; ten more take a whole day away, again and again
    stuck    the web process stands still (SIGSTOP), with all of them waiting
    dead     it is killed

From history, as the box kept it, comes the time of every byte; against that of the writing. The 99th percentile of
the error of each part is to be at most 1.5 times that of the quiet one, and no byte may be missing. Exit status 1 if
not. The clients run on the same machine and take its cores, as phones do not: niceness 10.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from math import ceil
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from appliance.history.reader import History
from appliance.history.rows import FaultRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.site.app import create_app
from appliance.take.forms import FORMS

S = 1_000_000_000
CLIENTS, EXPORTS, HOUR_S = 50, 10, 3600
RATIO_MOST = 1.5
LOT = 8
CHARACTER_NS = 260_417  # ten bits at 38,400 baud
CUT = 24  # bytes that a port hands over at once
RECEIVER = "from-receiver"
PARTS = ("quiet", "flooded", "stuck", "dead")
UNITS = Path(__file__).parents[2] / "systemd/usr/local/lib/systemd/system"
SETTINGS = """
machine = "Larkmere tractor 3"
history = "history.db"
run_folder = "run"
[line.from-receiver]
port = {port}
[lamps]
pins = "mock"
[web]
host = "127.0.0.1"
port = {web}
"""


def fill(path: Path, hours: float) -> int:
    """A watch of so many hours of the usual set, which is an hour over and over; gives its number."""
    hour = list(Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, min(hours, 1.0) * HOUR_S))
    with HistoryWriter(path) as writer:
        watch = writer.begin_watch(WatchStart(0, 1_777_886_000 * S, "rate-section", "", "Larkmere tractor 3", "0"))
        writer.close_fault("1", FaultRow("gap", RECEIVER, "GGA", 5 * S, 7 * S, "GGA was late.", 1.0, 0.6, "s"))
        for shift_s in range(0, ceil(hours) * HOUR_S, HOUR_S):
            for burst in hour:
                at_ns = round((burst.due_s + shift_s) * S)
                for at in range(0, len(burst.data), CUT):
                    writer.add_chunk(
                        RECEIVER, Chunk(burst.data[at : at + CUT], at_ns + at * CHARACTER_NS, CHARACTER_NS)
                    )
                if burst.due_s % 2 == 0:
                    for place in (0, 1):
                        told_ns = at_ns // S * S + place * S
                        writer.add_second(
                            SecondRow(RECEIVER, told_ns, 815, 12, 0, 0, 0.2, "go", 4, 18, messages={"GNGGA": 5})
                        )
                    writer.commit()
        writer.end_watch(round(hours * HOUR_S * S))
    return watch


def send(master: int, seconds: float) -> None:
    """Plays the receiver and prints what it wrote: when, in ns, and bytes up to then; a row for each lot."""
    told, sent, begin_ns = [], 0, time.monotonic_ns()
    free_ns = begin_ns
    for burst in Receiver(ReceiverSettings(), Drive(2), 2).epochs(0, seconds):
        free_ns = max(free_ns, begin_ns + round(burst.due_s * S))
        for at in range(0, len(burst.data), LOT):
            lot = burst.data[at : at + LOT]
            free_ns += len(lot) * CHARACTER_NS
            time.sleep(max(0.0, (free_ns - time.monotonic_ns()) / S))
            os.write(master, lot)
            sent += len(lot)
            told.append((time.monotonic_ns(), sent))
    print(json.dumps(told))


@dataclass(slots=True)
class Clients:
    """Many that ask without a rest. answers: status -> how often; 0: no answer."""

    port: int
    watch: int
    answers: Counter[int] = field(default_factory=Counter)
    exported: int = 0
    _stop: threading.Event = field(default_factory=threading.Event)
    _threads: list[threading.Thread] = field(default_factory=list)

    def start(self) -> None:
        asked = requests()
        for number in range(CLIENTS):
            turned = asked[number % len(asked) :] + asked[: number % len(asked)]
            self._threads.append(threading.Thread(target=self._hammer, args=(turned,), daemon=True))
        for number in range(EXPORTS):
            form = list(FORMS)[number % len(FORMS)]
            self._threads.append(threading.Thread(target=self._export, args=(form,), daemon=True))
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(20)

    def _hammer(self, asked: list[tuple[str, str]]) -> None:
        while not self._stop.is_set():
            for method, path in asked:
                self.answers[self._ask(method, path, most=200_000)[0]] += 1
                if self._stop.is_set():
                    return

    def _export(self, form: str) -> None:
        while not self._stop.is_set():
            status, whole = self._ask("GET", f"/take/{form}?watch={self.watch}", most=10**12)
            self.answers[status] += 1
            self.exported += whole and status == 200
            self._stop.wait(0.2 if status != 200 else 0.0)

    def _ask(self, method: str, path: str, most: int) -> tuple[int, bool]:
        """The answer's status, and whether it was read to its end; a stream is left after two seconds."""
        body = urlencode({"note": "hand on the plug", "do": "begin"}) if method == "POST" else None
        headers = {"Origin": f"http://127.0.0.1:{self.port}", "Content-Type": "application/x-www-form-urlencoded"}
        asking = http.client.HTTPConnection("127.0.0.1", self.port, timeout=2)
        try:
            asking.request(method, path, body, headers)
            answer = asking.getresponse()
            end_s, size = time.monotonic() + 2.0, 0
            while (piece := answer.read1(65536)) and size < most and not self._stop.is_set():
                size += len(piece)
                if "live" in path and time.monotonic() > end_s:
                    break
            return answer.status, not piece
        except (OSError, http.client.HTTPException):
            time.sleep(0.05)
            return 0, False
        finally:
            asking.close()


def requests() -> list[tuple[str, str]]:
    """Method and path of everything that the page's own map knows."""
    app = create_app(Path("picture.json"), Path("history.db"), Path("tap.sock"))
    filled = {"id_": "1", "form": "text", "chosen": "phone", "filename": "page.css"}
    found = []
    for rule in app.url_map.iter_rules():
        path = re.sub(r"<(?:\w+:)?(\w+)>", lambda name: filled.get(name[1], "1"), rule.rule)
        found += [(method, path) for method in sorted((rule.methods or set()) - {"HEAD", "OPTIONS"})]
    return found


@dataclass(slots=True)
class Box:
    """A tap and a web process at a pty."""

    folder: Path
    web_port: int
    processes: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def start(self, name: str) -> None:
        unit = (UNITS / f"linelamp-{name}.service").read_text()
        nice = int(next(row.split("=")[1] for row in unit.splitlines() if row.startswith("Nice=")))
        command = [sys.executable, "-m", "appliance", name, "--settings", str(self.folder / "linelamp.toml")]
        with (self.folder / f"said-{name}").open("wb") as said:
            self.processes[name] = subprocess.Popen(
                command, stdout=said, stderr=said, cwd=self.folder, start_new_session=True
            )
        favour(self.processes[name].pid, nice)

    def wait(self) -> None:
        end_s = time.monotonic() + 60
        while True:
            with contextlib.suppress(OSError, ValueError):
                picture = json.loads((self.folder / "run/picture.json").read_text())
                with socket.create_connection(("127.0.0.1", self.web_port), 1):
                    if picture["lines"][0]["port_state"] == "open":
                        return
            assert time.monotonic() < end_s, "the box does not start"
            time.sleep(0.1)

    def stop(self) -> None:
        for process in self.processes.values():
            process.send_signal(signal.SIGCONT)
            process.terminate()
            process.wait(30)


def favour(process: int, nice: int) -> None:
    """Give a process that leads a session its share, as its unit does on a box.

    Where the kernel shares out among sessions first (sched(7), "The autogroup feature"), the session's niceness stands
    for the unit's CPUWeight.
    """
    os.setpriority(os.PRIO_PROCESS, process, nice)
    group = Path(f"/proc/{process}/autogroup")
    if group.exists():
        group.write_text(str(nice))


def heard(path: Path) -> Iterator[int]:
    """The time of every byte that history holds of the last watch, in ns."""
    with History(path) as history:
        watch = history.latest()
        assert watch is not None
        for chunk in history.chunks(watch.id, RECEIVER):
            for place in range(len(chunk.data)):
                yield chunk.start_ns + place * chunk.step_ns


def errors(written: list[tuple[int, int]], times_ns: list[int]) -> Iterator[tuple[int, int]]:
    """When each byte was on the wire, and how far the box is off, in ns."""
    at = 0
    for end_ns, up_to in written:
        for place in range(at, up_to):
            true_ns = end_ns - (up_to - 1 - place) * CHARACTER_NS
            yield true_ns, abs(times_ns[place] - true_ns)
        at = up_to


def part(values: list[int], share: float) -> float:
    return sorted(values)[int(share * (len(values) - 1))] / 1e6


def settings(folder: Path, port: str) -> int:
    """Settings of a box at this port; gives the number of its page's port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        web_port: int = free.getsockname()[1]
    (folder / "linelamp.toml").write_text(SETTINGS.format(port=json.dumps(port), web=web_port))
    return web_port


def own(*arguments: object, **more: Any) -> subprocess.Popen[bytes]:
    """This program as another process, which leads a session."""
    command = [sys.executable, __file__, *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, start_new_session=True, **more)


def play(box: Box, asking: subprocess.Popen[bytes], seconds: float) -> dict[str, int]:
    """All parts, one after the other; when each began, and the end, in ns."""
    begins_ns: dict[str, int] = {}
    for name in PARTS:
        begins_ns[name] = time.monotonic_ns()
        if name == "flooded":
            assert asking.stdin is not None
            asking.stdin.write(b"\n")
            asking.stdin.flush()
        elif name == "stuck":
            box.processes["web"].send_signal(signal.SIGSTOP)
        elif name == "dead":
            box.processes["web"].kill()
        time.sleep(seconds)
    return begins_ns | {"end": time.monotonic_ns()}


def run(folder: Path, seconds: float, hours: float) -> tuple[dict[str, list[int]], Clients]:
    """The errors of each part in ns, and what the clients saw."""
    watch = fill(folder / "history.db", hours)
    master, slave = os.openpty()
    tty.setraw(slave)
    web_port = settings(folder, os.ttyname(slave))
    box, clients = Box(folder, web_port), Clients(web_port, watch)
    try:
        for name in ("tap", "web"):
            box.start(name)
        box.wait()
        sender = own("send", master, seconds * len(PARTS) + 12, pass_fds=[master])
        asking = own("ask", web_port, watch, seconds * 2, stdin=subprocess.PIPE)
        favour(sender.pid, -15)
        favour(asking.pid, 10)
        assert asking.stdout is not None
        asking.stdout.readline()  # it is ready
        time.sleep(2)
        begins_ns = play(box, asking, seconds)
        told, answers = (one.communicate(timeout=60)[0] for one in (sender, asking))
        kept = json.loads(answers)
        clients.answers.update({int(status): number for status, number in kept["answers"].items()})
        clients.exported = kept["exported"]
        time.sleep(1)
    finally:
        box.stop()
        for one in (master, slave):
            os.close(one)
    written, times_ns = json.loads(told), list(heard(folder / "history.db"))
    assert len(times_ns) == written[-1][1], f"{len(times_ns)} of {written[-1][1]} bytes kept"
    return by_part(begins_ns, written, times_ns), clients


def by_part(begins_ns: dict[str, int], written: list[tuple[int, int]], times_ns: list[int]) -> dict[str, list[int]]:
    """The error of each byte, in ns, by the part that it was sent in."""
    off: dict[str, list[int]] = {name: [] for name in PARTS}
    for true_ns, error_ns in errors(written, times_ns):
        for name, begin_ns in reversed(begins_ns.items()):
            if true_ns >= begin_ns:
                if name in off and true_ns >= begin_ns + S:  # a second to settle
                    off[name].append(error_ns)
                break
    return off


def main(seconds: float, hours: float) -> int:
    with tempfile.TemporaryDirectory() as name:
        off, clients = run(Path(name), seconds, hours)
    print(f"{sum(clients.answers.values())} requests, by status: {dict(sorted(clients.answers.items()))}")
    print(f"{clients.exported} times {hours:g} hours taken away whole")
    quiet_ms, bad = part(off["quiet"], 0.99), False
    for name in PARTS:
        median_ms, worst_ms = part(off[name], 0.5), part(off[name], 0.99)
        bad |= worst_ms > RATIO_MOST * quiet_ms
        print(
            f"{name:8} {len(off[name]):7} bytes, error of their times: median {median_ms:.3f} ms, "
            f"99 % {worst_ms:.3f} ms, {worst_ms / quiet_ms:.2f} of quiet; worst {part(off[name], 1.0):.1f} ms"
        )
    return int(bad)


if __name__ == "__main__":
    arguments = sys.argv[1:]
    if arguments[:1] == ["send"]:
        send(int(arguments[1]), float(arguments[2]))
    elif arguments[:1] == ["ask"]:
        asking = Clients(int(arguments[1]), int(arguments[2]))
        print("ready", flush=True)
        sys.stdin.readline()
        asking.start()
        time.sleep(float(arguments[3]))
        asking.stop()
        print(json.dumps({"answers": asking.answers, "exported": asking.exported}))
    else:
        numbers = [float(one) for one in arguments]
        sys.exit(main(*(numbers + [60.0, 24.0][len(numbers) :])))
