"""What phones that watch cost: the page's share of one core, and what goes over the air to each.

    python tests/bench/phones.py [phones] [seconds]

A picture that changes five times a second is made from the invented afternoon, and served by the real server; each
phone is a connection that reads the stream. Figures are for the machine that runs this.
"""

from __future__ import annotations

import http.client
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

TICKS_HZ = os.sysconf("SC_CLK_TCK")


def cpu_s(pid: int) -> float:
    """User and system time of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_HZ


def watch(port: int, until_s: float, took: list[int]) -> None:
    """One phone: reads the page, then its stream, and counts what came with the stream."""
    phone = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    phone.request("GET", "/")
    at = re.search(rb'data-at="([^"]+)"', phone.getresponse().read())
    assert at
    phone.request("GET", "/live?after=" + at[1].decode())
    stream, got = phone.getresponse(), 0
    while time.monotonic() < until_s:
        got += len(stream.readline())
    took.append(got)
    phone.close()


def child(pid: int, name: str) -> int:
    """The process that pid started as `linelamp name`."""
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(path.read_text().rpartition(")")[2].split()[1])
            words = path.with_name("cmdline").read_bytes().split(b"\0")
        except OSError:
            continue
        if parent == pid and name.encode() in words:
            return int(path.parent.name)
    raise SystemExit(f"there is no {name}")


def main(phones: int, seconds: float) -> None:
    """Prints one row for no phone and one for `phones` of them."""
    with tempfile.TemporaryDirectory() as folder:
        port = 8097
        command = [sys.executable, "-m", "appliance", "demo", "--web-port", str(port), "--folder", folder]
        demo = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        try:
            assert demo.stdout
            while "The page:" not in demo.stdout.readline():
                pass
            time.sleep(3)
            web, tap = child(demo.pid, "web"), child(demo.pid, "tap")
            for number in (0, phones):
                took: list[int] = []
                began_s, began, began_tap = time.monotonic(), cpu_s(web), cpu_s(tap)
                until_s = began_s + seconds
                watchers = [threading.Thread(target=watch, args=(port, until_s, took)) for _ in range(number)]
                for one in watchers:
                    one.start()
                time.sleep(seconds)
                share = (cpu_s(web) - began) / (time.monotonic() - began_s)
                tapped = (cpu_s(tap) - began_tap) / (time.monotonic() - began_s)
                for one in watchers:
                    one.join()
                each = f", {sum(took) / number / seconds / 1000:.1f} kB/s each" if number else ""
                print(f"{number:3} phones: page {share:.1%} of a core{each}; tap {tapped:.1%}", flush=True)
        finally:
            demo.terminate()
            demo.wait()


if __name__ == "__main__":
    main(*(int(word) for word in (sys.argv[1:] + ["10", "20"][len(sys.argv) - 1 :])))
