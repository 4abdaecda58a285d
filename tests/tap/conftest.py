"""A box in a temporary folder, and an inbox that plays a script in a time of its own, as fast as the core takes it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from appliance import settings
from appliance.history.rows import WatchStart
from appliance.settings import Settings
from appliance.tap.core import Core
from appliance.tap.inbox import Inbox, Item
from appliance.tap.keeper import Keeper

ORIGIN_NS = 900_000_000_000
SECOND = 1_000_000_000
PATIENCE_S = 20.0


class Played(Inbox):
    """Hands over each item of a script at its time, and moves the clock by what is waited for.

    script: (when in ns, item or something to do). After its end the clock goes on until a stop.
    """

    def __init__(self, script: list[tuple[int, Item | Callable[[], object]]]) -> None:
        super().__init__()
        self.now_ns = ORIGIN_NS
        self.ended = threading.Event()
        self._script = script

    def clock(self) -> int:
        return self.now_ns

    @property
    def waiting(self) -> int:
        return sum(at_ns <= self.now_ns for at_ns, _ in self._script)

    def take(self, timeout_s: float) -> Item | None:
        until_ns = self.now_ns + max(1, round(timeout_s * 1e9))
        while self._script and self._script[0][0] <= until_ns:
            at_ns, what = self._script.pop(0)
            self.now_ns = max(self.now_ns, at_ns)
            if isinstance(what, tuple):
                return what
            what()
        if not self._script:
            self.ended.set()
            time.sleep(0.001)
        if timeout_s > 0:
            self.now_ns = until_ns
        return None


@pytest.fixture
def box(tmp_path: Path) -> Callable[..., Settings]:
    """Settings of a box whose files lie in the test's folder and whose port is not there."""

    def make(**lines: str) -> Settings:
        (tmp_path / "run").mkdir(exist_ok=True)
        text = f"""
            machine = "Larkmere tractor 3"
            history = "history.db"
            run_folder = "run"
            [line.from-receiver]
            port = "{tmp_path / "port"}"
            {lines.get("controller", "")}
            [lamps]
            pins = "{lines.get("pins", "mock")}"
        """
        (tmp_path / "linelamp.toml").write_text(text)
        return settings.load(tmp_path / "linelamp.toml", {"needs": lines.get("needs", "rate-section")})

    return make


@pytest.fixture
def play(box: Callable[..., Settings]) -> Callable[..., Core]:
    """Runs a core over a script to its end and stops it; the history then holds what it kept."""

    def run(
        script: list[tuple[int, Item | Callable[[], object]]],
        settings: Settings | None = None,
        at_end: Callable[[Core], object] = lambda _: None,
        at_start: Callable[[Core], object] = lambda _: None,
    ) -> Core:
        settings = settings or box()
        inbox = Played(script)
        needs = settings.load_needs()
        keeper = Keeper(settings.history, WatchStart(ORIGIN_NS, ORIGIN_NS, needs.name, "", settings.machine, "0"))
        core = Core(settings, needs, inbox, keeper, clock=inbox.clock)
        at_start(core)
        keeper.start()
        core.start()
        try:
            assert inbox.ended.wait(PATIENCE_S)
            at_end(core)
        finally:
            stopped = core.stop(PATIENCE_S)
            stopped = keeper.stop(inbox.now_ns, PATIENCE_S) and stopped
        assert stopped
        return core

    return run
