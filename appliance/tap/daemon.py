"""Builds the tap, owns its signals and its stop order, and ends the process when a part of it has died.

Stop order: readers, core (lamps to no-go), keeper. A thread without a heartbeat ends the process: whoever started it
starts it again, which is better than a lamp that nobody updates.
"""

from __future__ import annotations

import contextlib
import logging
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from appliance import __version__, recent_log
from appliance.history.rows import WatchStart
from appliance.history.space import Space
from appliance.line.port import LineReader
from appliance.notify import Pulse
from appliance.recent_log import RecentLog
from appliance.sentence.setting import Setting
from appliance.settings import Settings
from appliance.tap.answers import Answers
from appliance.tap.box_followed import BoxFollowed
from appliance.tap.commands import CommandSocket
from appliance.tap.core import PICTURE, Core
from appliance.tap.inbox import Inbox
from appliance.tap.keeper import Keeper
from appliance.tap.sheets import Sheets
from appliance.tap.wiggling import NAME as WIGGLE

HEARTBEAT_MOST_S = 8.0
"""A thread that has not moved for this long is taken for dead: with a round of this thread, and a command that it
answers meanwhile, within the 10 s that we promise. Our choice."""
_STOP_S = 8.0
SWITCH_S = 0.0005
"""How long a thread that computes keeps a reader that has woken from dating what it read (Python's own choice is
5 ms). Our choice: as long as a thread usually takes to wake."""
_STACK_TOLD = 6
DIED = 70
"""Exit status when a part of the tap has died (EX_SOFTWARE of BSD's sysexits.h)."""

log = logging.getLogger("linelamp.tap")


class Tap:
    """The daemon. `run()` returns the exit status when it was asked to stop, or when a part died."""

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Callable[[], int] = time.monotonic_ns,
        log: RecentLog | None = None,
    ) -> None:
        sheets = Sheets(settings)
        needs, toml = sheets.at_start()
        self._settings = settings
        self._clock = clock
        self._stop = threading.Event()
        self._pulse = Pulse()
        start = WatchStart(clock(), time.time_ns(), needs.name, toml, settings.machine, __version__)
        self._inbox = Inbox()
        space = Space(settings.history_most_mb * 1_000_000, settings.free_least_mb * 1_000_000)
        self._keeper = Keeper(settings.history, start, space, clock=clock)
        self._box = BoxFollowed(self._keeper.box)
        self._core = Core(settings, needs, self._inbox, self._keeper, self._tune, clock=clock)
        self._answers = Answers(self._core, self._keeper, sheets, stop=self.stop, log=log or RecentLog())
        self._readers = [LineReader(line, self._inbox.put, clock=clock) for line in settings.lines]
        self._parts: dict[str, Any] = {"core": self._core, "keeper": self._keeper}
        self._parts |= {_name(reader): reader for reader in self._readers}

    def stop(self) -> None:
        """Asks for a clean stop; from any thread."""
        self._stop.set()

    def run(self) -> int:
        """Listens until it is asked to stop. 0: stopped as asked; DIED: a part of it died."""
        self._settings.run_folder.mkdir(parents=True, exist_ok=True)
        commands = CommandSocket(self._settings.run_folder, self._answers.commands())
        self._keeper.start()
        self._core.start()
        for reader in self._readers:
            reader.start()
        dead = ""
        try:
            dead = self._supervise(commands)
            if dead:
                log.error("%s has died; the process ends so that it can be started again%s", dead, _where(dead))
        finally:
            self._pulse.stop()
            commands.close()
            finished = self._finish(dead)
        return DIED if dead or not finished else 0

    def _supervise(self, commands: CommandSocket) -> str:
        """Answers commands and feels the pulse of every thread; gives the name of one that died, or "".

        Only a round that found all of them alive tells systemd so: it acts where this thread hangs as well.
        """
        while not self._stop.is_set() and not self._core.stop_asked.is_set():
            commands.serve(0.25)
            self._box.turn(self._keeper.watch_id, self._clock())
            for name, part in self._parts.items():
                still_s = (self._clock() - part.heartbeat_ns) / 1e9
                if not part.is_alive() or still_s > HEARTBEAT_MOST_S:
                    return name
            self._pulse.beat()
        return ""

    def _finish(self, dead: str) -> bool:
        """Stops each part in its turn. One that died is not waited for, so that the lamps are soon dark."""
        patience_s = {name: 0.0 if name == dead else _STOP_S for name in self._parts}
        for reader in self._readers:
            reader.stop()
        ended = [reader.join(patience_s[_name(reader)]) for reader in self._readers]
        if dead == "core":
            self._core.dark()
        ended.append(self._core.stop(patience_s["core"]))
        ended.append(self._keeper.stop(self._clock(), patience_s["keeper"]))
        for shown in (PICTURE, WIGGLE):
            with contextlib.suppress(OSError):
                (self._settings.run_folder / shown).unlink()
        return all(ended)

    def _tune(self, line: str, setting: Setting) -> None:
        for reader in self._readers:
            if reader.settings.name == line:
                reader.tune(setting)


def _name(reader: LineReader) -> str:
    return f"reader {reader.settings.name}"


def _where(name: str) -> str:
    """Where a thread that no longer moves stands, innermost first; "" where it has ended."""
    frames, own = sys._current_frames(), name.replace("reader", "line", 1)
    for thread in threading.enumerate():
        if thread.name == own and thread.ident in frames:
            stack = traceback.extract_stack(frames[thread.ident])[: -_STACK_TOLD - 1 : -1]
            return "; it stands at " + ", ".join(
                f"{one.name} ({Path(one.filename).name}:{one.lineno})" for one in stack
            )
    return ""


def run(settings: Settings) -> int:
    """Runs the tap in this process until SIGTERM or SIGINT."""
    sys.setswitchinterval(SWITCH_S)
    tap = Tap(settings, log=recent_log.install())

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        tap.stop()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, on_signal)
    return tap.run()
