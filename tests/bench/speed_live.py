"""What the live box takes and how soon it tells: CPU, wake-ups and memory of both processes; damage to lamp and screen;
start. Over real ptys, in real time. The ends of the lines play in this process, whose time is not counted.
"""

from __future__ import annotations

import http.client
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from appliance import settings as box
from appliance.sentence.checksum import checksum
from appliance.tap.daemon import Tap

if TYPE_CHECKING:
    from tests.bench.speed_cab import AS_ON_THE_BOX, MEMORY, Cab, Sender, cpu_s, resident_mb, usual, woken
    from tests.bench.speed_row import Row
else:  # as a script it finds its neighbours only
    from speed_cab import AS_ON_THE_BOX, MEMORY, Cab, Sender, cpu_s, resident_mb, usual, woken
    from speed_row import Row

SETTLE_S = 12.0
LOADS = (("usual set at 38,400", 38_400, 1, False), ("full at 115,200, two lines", 115_200, 2, True),
         ("full at 460,800, two lines", 460_800, 2, True))  # fmt: skip
CORE_GOAL, RESIDENT_GOAL_MB = 0.01, 90.0
LAMP_GOAL_MS, START_GOAL_S = 150.0, 0.6
STARTS = 7
NEEDLESS = ("flask", "waitress", "jinja2", "werkzeug", "numpy", "scipy", "unittest", "asyncio", "http.server")


def loads(seconds: float = 20.0) -> list[Row]:
    """Part 3: each load on a tap of its own; on the first a page is served and watched as well."""
    found = []
    for name, baud, lines, full in LOADS:
        with tempfile.TemporaryDirectory() as folder, Cab(Path(folder), baud, lines, _free_port()) as cab:
            tap = cab.start("tap")
            web = cab.start("web") if not full else None
            _wait(lambda cab=cab, lines=lines: cab.open_ports() == lines)
            senders = [Sender(master, baud, usual(60), full) for master, _ in cab.ptys]
            for sender in senders:
                sender.start()
            time.sleep(SETTLE_S)
            before = cpu_s(tap.pid), woken(tap.pid), time.monotonic(), sum(sender.sent for sender in senders)
            time.sleep(seconds)
            used_s, wakes = cpu_s(tap.pid) - before[0], woken(tap.pid) - before[1]
            lasted_s, sent = time.monotonic() - before[2], sum(sender.sent for sender in senders) - before[3]
            for sender in senders:
                sender.over.set()
                sender.join()
            lost = cab.told()["box"]["dropped"] + sum(sender.refused for sender in senders)
            share = used_s / lasted_s
            goal = f"under {CORE_GOAL:.0%} of a core" if not full else ""
            figure = (
                f"{share:.1%} of a core, {used_s / max(1, sent) * 1e6:.1f} µs a byte, {wakes / lasted_s:.0f} wake-ups "
                f"a second; {lost} bytes lost"
            )
            found.append(Row(f"tap, {name}", figure, f"{sent / lasted_s:,.0f} bytes/s", goal,
                             share < CORE_GOAL if goal else None))  # fmt: skip
            if web is not None:
                both = resident_mb(tap.pid), resident_mb(web.pid)
                figure = f"tap {both[0]:.0f} MB, web {both[1]:.0f} MB"
                kept = sum(both) < RESIDENT_GOAL_MB
                found.append(Row("resident memory", figure, "", f"under {RESIDENT_GOAL_MB:.0f} MB together", kept))
    return found


def idle_share(seconds: float = 10.0) -> Row:
    """The same tap with nothing on its line: what the looks and the picture take by themselves."""
    with tempfile.TemporaryDirectory() as folder, Cab(Path(folder), 38_400) as cab:
        tap = cab.start("tap")
        _wait(cab.told)
        time.sleep(3)
        before, began = cpu_s(tap.pid), time.monotonic()
        time.sleep(seconds)
        share = (cpu_s(tap.pid) - before) / (time.monotonic() - began)
    return Row("tap, silent line", f"{share:.1%} of a core")


class _Lamp:
    """A tap within this process, so that its mock pins can be seen, a page beside it, and the line."""

    def __init__(self, folder: Path) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.port, self.memory = _free_port(), tempfile.TemporaryDirectory(dir=MEMORY)
        sheet = folder / "quick.toml"
        sheet.write_text('title = "quick"\n[line]\nbaud = 38400\nsilence_most_s = 5\n[verdict]\nclean_run_s = 0.5\n')
        file = folder / "linelamp.toml"
        file.write_text(
            f'machine = "Bench"\nneeds = "{sheet}"\nhistory = "history.db"\nrun_folder = "{self.memory.name}"\n'
            f'[lamps]\npins = "mock"\n[line.from-receiver]\nport = "{os.ttyname(self.slave)}"\n'
            f'[web]\nhost = "127.0.0.1"\nport = {self.port}\n'
        )
        self.tap = Tap(box.load(file))
        self.thread = threading.Thread(target=self.tap.run)
        self.thread.start()
        command = [sys.executable, "-c", AS_ON_THE_BOX, "web", "--settings", str(file)]
        self.web = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    @property
    def green(self) -> bool:
        lamps = self.tap._core._lamps
        return lamps is not None and bool(lamps.green and not lamps.red)

    def close(self) -> None:
        self.web.terminate()
        self.web.wait()
        self.tap.stop()
        self.thread.join()
        os.close(self.master)
        os.close(self.slave)
        self.memory.cleanup()


class _Screen(threading.Thread):
    """Reads the page's stream of events; when the last one that says no-go came."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.no_go_s: float | None = None
        self._connection = http.client.HTTPConnection("127.0.0.1", port)

    def run(self) -> None:
        self._connection.request("GET", "/live")
        answer = self._connection.getresponse()
        while row := answer.readline():
            if self.no_go_s is None and b"no-go" in row.lower():
                self.no_go_s = time.monotonic()


def reaction(times: int = 20) -> list[Row]:
    """Part 4: a sentence whose sum is wrong, on a line that is go; from its last byte to the lamp and to the page."""
    body = b"GPHDT,74.20,T"
    good, bad = (b"$%s*%02X\r\n" % (body, checksum(body) ^ wrong) for wrong in (0, 1))
    lamp_ms, screen_ms = [], []
    with tempfile.TemporaryDirectory() as folder:
        cab = _Lamp(Path(folder))
        try:
            _wait(lambda: _answers(cab.port))
            screen = _Screen(cab.port)
            screen.start()
            for number in range(times):
                until = time.monotonic() + 30
                while not cab.green:
                    os.write(cab.master, good)
                    time.sleep(0.05)
                    if time.monotonic() > until:
                        raise TimeoutError("a sound line is no go")
                time.sleep(0.3 + 0.0371 * (number % 11))  # not in step with ticks and looks
                screen.no_go_s = None
                os.write(cab.master, bad)
                sent_s = time.monotonic()
                while cab.green and time.monotonic() - sent_s < 5:
                    time.sleep(0.0005)
                lamp_ms.append((time.monotonic() - sent_s) * 1e3)
                while screen.no_go_s is None and time.monotonic() - sent_s < 5:
                    time.sleep(0.001)
                screen_ms.append(((screen.no_go_s or sent_s + 5) - sent_s) * 1e3)
        finally:
            cab.close()
    lamp, screen_last = _spread(lamp_ms), _spread(screen_ms)
    kept = lamp[1] <= LAMP_GOAL_MS
    return [
        Row(f"damage to lamp, {times} times", f"median {lamp[0]:.0f} ms, 99th {lamp[1]:.0f} ms", "",
            f"{LAMP_GOAL_MS:.0f} ms", kept),
        Row("damage to the phone's page", f"median {screen_last[0]:.0f} ms, 99th {screen_last[1]:.0f} ms"),
    ]  # fmt: skip


def starts() -> list[Row]:
    """Part 5: from the start of the process to the first picture that has judged a byte; and imports."""
    took, cpu = [], []
    for _ in range(STARTS):
        with tempfile.TemporaryDirectory() as folder, Cab(Path(folder), 38_400) as cab:
            sender = Sender(cab.ptys[0][0], 38_400, usual(20), full=True)
            sender.start()
            began = time.monotonic()
            tap = cab.start("tap")
            _wait(lambda cab=cab: cab.told().get("lines", [{}])[0].get("bytes", {}).get("framed", 0) > 0, 0.002)
            took.append(time.monotonic() - began)
            cpu.append(cpu_s(tap.pid))
            sender.over.set()
            sender.join()
    middle = statistics.median(took)
    tell = (
        "import sys, time; sys.modules['numpy'] = None; b = time.process_time(); import appliance.tap.daemon; "
        "print(time.process_time() - b, *[one for one in sys.modules if sys.modules[one]])"
    )
    alone = [subprocess.run([sys.executable, "-c", tell], capture_output=True, text=True, check=True) for _ in range(5)]
    said = [one.stdout.split() for one in alone]
    needless = sorted(set(said[0][1:]).intersection(NEEDLESS))
    imported_s = statistics.median(float(one[0]) for one in said)
    return [
        Row("start to first byte judged and shown", f"{middle:.2f} s, of it CPU {statistics.median(cpu):.2f} s", "",
            f"under {START_GOAL_S} s", middle < START_GOAL_S),
        Row("import of the tap", f"CPU {imported_s:.2f} s, {len(said[0]) - 1} modules", "",
            "nothing it does not use" + (f"; it does: {', '.join(needless)}" if needless else ""), not needless),
    ]  # fmt: skip


def rows() -> Iterator[Row]:
    """Parts 3 to 5 of the table."""
    yield from loads()
    yield idle_share()
    yield from reaction()
    yield from starts()


def _spread(values: list[float]) -> tuple[float, float]:
    ordered = sorted(values)
    return statistics.median(ordered), ordered[min(len(ordered) - 1, round(0.99 * len(ordered)))]


def _wait(ready, step_s: float = 0.02, within_s: float = 60.0) -> None:  # type: ignore[no-untyped-def]
    until = time.monotonic() + within_s
    while not ready():
        if time.monotonic() > until:
            raise TimeoutError("the box did not come up")
        time.sleep(step_s)


def _answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])
