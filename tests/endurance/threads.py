"""Strikes each thread of the real tap, and sees that it is noticed, that the process ends, and that it is back.

    python tests/endurance/threads.py

For each case a tap of its own listens at a pty, under a stand-in that does what systemd does by the unit of a box
(service.py). Once it listens, one of its threads is ended or held (strike.py). It must be noticed within 10 s of that,
which is when the tap, or else the stand-in for it, begins the end; the process must be gone soon after, and the next
one must listen. The watch that it was in must then be in history with all that came until 3 s before.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import tempfile
import time
import tty
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from appliance.history.reader import History
from appliance.tap.daemon import DIED

if TYPE_CHECKING:
    from tests.endurance import strike
    from tests.endurance.service import Life, Service
else:
    import strike
    from service import Life, Service

NOTICED_MOST_S = 10.0
PATIENCE_S = 200.0
PARTS = ("main", "keeper", "core", "reader")  # in the order in which the daemon starts them
CASES = [(part, how) for part in PARTS for how in ("ended", "held")]
SETTINGS = """
machine = "Larkmere tractor 3"
history = "history.db"
run_folder = "run"
[line.from-receiver]
port = {port}
[lamps]
pins = "mock"
"""
HEADING = b"$GPHDT,74.20,T*34\r\n"


@dataclass(slots=True, frozen=True)
class Seen:
    """What came of it, in s from the strike: noticed, gone, and listening again. status: of the process that ended."""

    noticed_s: float
    gone_s: float
    back_s: float
    status: int

    @property
    def bad(self) -> str:
        """What is not as promised, or ""."""
        if self.noticed_s > NOTICED_MOST_S:
            return f"noticed only after {self.noticed_s:.1f} s"
        return "" if self.status in (DIED, -6, -9) else f"it ended with status {self.status}"


class Struck:
    """One tap that is struck. Call turn() until `seen`."""

    def __init__(self, folder: Path, part: str, how: str) -> None:
        self.part, self.how = part, how
        self.seen: Seen | None = None
        self._folder = folder
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        (folder / "linelamp.toml").write_text(SETTINGS.format(port=json.dumps(os.ttyname(self._slave))))
        command = [sys.executable, "-m", "appliance", "tap", "--settings", str(folder / "linelamp.toml")]
        self._service = Service(command, folder)
        self._service.start()
        self._begun_s = time.monotonic()
        self._struck_s: float | None = None
        self._thread = 0
        self._struck: Life | None = None
        self._listened_s = 0.0

    def turn(self) -> None:
        """Go on: strike once it listens, see what comes of it."""
        life = self.rest()
        assert time.monotonic() - self._begun_s < PATIENCE_S, f"{self.part} {self.how}: {self._told()}"
        if self._struck_s is None:
            if life.ready_s is not None and time.monotonic() - life.ready_s > 5.0 and self._listens(1):
                self._strike(life)
            return
        struck = self._struck
        assert struck is not None
        if self._thread != struck.process.pid:  # that one is the service's own child, and buried by it
            strike.reap(self._thread)
        if life is not struck and self._listens(2):
            assert struck.stopping_s is not None or struck.ended_s is not None, self._told()
            assert struck.ended_s is not None
            self.seen = Seen(
                noticed_s=(struck.stopping_s or struck.ended_s) - self._struck_s,
                gone_s=struck.ended_s - self._struck_s,
                back_s=time.monotonic() - self._struck_s,
                status=struck.process.returncode,
            )

    def rest(self) -> Life:
        """Keep it running, and the line talking."""
        with contextlib.suppress(BlockingIOError):  # nobody reads while the tap is away
            os.write(self._master, HEADING)
        return self._service.turn(0.02)

    def stop(self) -> None:
        """End all of it."""
        self._service.stop()
        for one in (self._master, self._slave):
            os.close(one)

    def check_history(self) -> None:
        """What came before the strike must be there."""
        with History(self._folder / "history.db") as history:
            watch = history.watches()[-1]
            assert watch.ended_how in ("cut off", "stopped")
            assert self._struck_s is not None
            kept_s = (watch.last_ns - watch.started_ns) / 1e9
            assert kept_s > self._listened_s - 3.0, f"{kept_s:.1f} of {self._listened_s:.1f} s kept"

    def _strike(self, life: Life) -> None:
        found = strike.threads(life.process.pid)
        assert len(found) == len(PARTS), f"{len(found)} threads"
        self._thread = found[PARTS.index(self.part)]
        self._listened_s = self._picture()["watch"]["seconds"]
        {"ended": strike.end, "held": strike.hold}[self.how](self._thread)
        self._struck, self._struck_s = life, time.monotonic()

    def _listens(self, watch: int) -> bool:
        picture = self._picture()
        return bool(picture) and (picture["watch"]["id"] or 0) >= watch and picture["lines"][0]["bytes"]["total"] > 0

    def _picture(self) -> dict[str, Any]:
        try:
            return json.loads((self._folder / "run/picture.json").read_text())  # type: ignore[no-any-return]
        except FileNotFoundError:
            return {}

    def _told(self) -> str:
        return (self._folder / "said").read_text()[-2000:]


def struck(folder: Path, cases: list[tuple[str, str]]) -> dict[tuple[str, str], Seen]:
    """What came of each case, one after the other."""
    found = {}
    for part, how in cases:
        place = folder / f"{part}-{how}"
        place.mkdir()
        tap = Struck(place, part, how)
        try:
            while tap.seen is None:
                tap.turn()
        finally:
            tap.stop()
        tap.check_history()
        found[part, how] = tap.seen
    return found


def main() -> int:
    if why := strike.why_not():
        print(why)
        return 2
    bad = 0
    with tempfile.TemporaryDirectory() as name:
        for (part, how), seen in struck(Path(name), CASES).items():
            times = f"noticed {seen.noticed_s:5.1f} s, gone {seen.gone_s:5.1f} s, listening {seen.back_s:5.1f} s"
            print(f"{part:8}{how:7}{times} after; status {seen.status:3}  {seen.bad}")
            bad += bool(seen.bad)
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
