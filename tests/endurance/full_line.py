"""Two lines at 460,800 baud without a pause: python tests/endurance/full_line.py [seconds; 60]

The real tap listens at two ptys; a sender writes to each what 460,800 baud can carry, 46,080 bytes/s, as lots of 64
bytes, in usual sentences. Told is what share of a core the tap needed, and whether every byte is in history; bytes
that it dropped because it could not keep up it must own up to. Exit status 1: a byte is missing that it did not own up
to, or it needed more than a core.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
import tty
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from appliance.history.reader import History
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings

BYTES_S = 46_080
LOT = 64
LINES = ("from-receiver", "from-controller")
SETTINGS = """
machine = "Larkmere tractor 3"
history = "history.db"
run_folder = "run"
[line.from-receiver]
port = {0}
baud = 460800
[line.from-controller]
port = {1}
baud = 460800
[lamps]
pins = "mock"
"""


@dataclass(slots=True, frozen=True)
class Came:
    """What came of it: bytes sent, kept and owned up to as dropped, and the share of a core that the tap needed."""

    sent: int
    kept: int
    dropped: int
    cores: float


def run(folder: Path, seconds: float) -> Came:
    """One run of the tap."""
    pairs = [os.openpty() for _ in LINES]
    for master, slave in pairs:
        tty.setraw(slave)
        os.set_blocking(master, False)
    (folder / "linelamp.toml").write_text(SETTINGS.format(*(json.dumps(os.ttyname(slave)) for _, slave in pairs)))
    command = [sys.executable, "-m", "appliance", "tap", "--settings", str(folder / "linelamp.toml")]
    tap = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=folder)
    try:
        _wait(folder, lambda picture: all(line["port_state"] == "open" for line in picture["lines"]))
        before_s, began_s = _cpu_s(tap.pid), time.monotonic()
        sent = send([master for master, _ in pairs], seconds)
        lasted_s = time.monotonic() - began_s
        cores = (_cpu_s(tap.pid) - before_s) / lasted_s
        time.sleep(3)
        dropped = _picture(folder)["box"]["dropped"]
    finally:
        tap.terminate()
        tap.wait(60)
        for pair in pairs:
            for one in pair:
                os.close(one)
    with History(folder / "history.db") as history:
        kept = sum(len(chunk.data) for line in LINES for chunk in history.chunks(1, line))
    return Came(sent, kept, dropped, cores)


def send(masters: list[int], seconds: float) -> int:
    """Writes to each at the pace of the baud; bytes sent in all. What the pty does not take at once is sent later."""
    text = b"".join(burst.data for burst in Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, 600))
    whole = text * (1 + int(seconds * BYTES_S) // len(text))
    begun_s, at = time.monotonic(), dict.fromkeys(masters, 0)
    while (gone_s := time.monotonic() - begun_s) < seconds:
        due = int(gone_s * BYTES_S)
        for master in masters:
            while at[master] + LOT <= due:
                try:
                    at[master] += os.write(master, whole[at[master] : at[master] + LOT])
                except BlockingIOError:
                    break
        time.sleep(0.001)
    return sum(at.values())


def _picture(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "run/picture.json").read_text())  # type: ignore[no-any-return]


def _wait(folder: Path, wanted: Any) -> None:
    end_s = time.monotonic() + 60
    while not (folder / "run/picture.json").exists() or not wanted(_picture(folder)):
        assert time.monotonic() < end_s, "the tap does not start"
        time.sleep(0.1)


def _cpu_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main(seconds: float) -> int:
    with tempfile.TemporaryDirectory() as name:
        came = run(Path(name), seconds)
    missing = came.sent - came.kept - came.dropped
    share = came.sent / seconds / BYTES_S / len(LINES)
    print(
        f"{came.sent:,} bytes in {seconds:g} s, {share:.0%} of what the lines carry; "
        f"kept {came.kept:,}, owned up to as dropped {came.dropped:,}; {came.cores:.2f} of a core"
    )
    return int(missing > 0 or came.cores > 1)


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0))
