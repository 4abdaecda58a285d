"""A box that hears what is said strangely: the tap's own parts without their threads and ports, and the keeper."""

from __future__ import annotations

import json
import random
import threading
import time
import traceback
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest import mock

from appliance import settings as box
from appliance.history.job import Job
from appliance.history.rows import MarkRow, WatchStart
from appliance.judge import needs as needs_of
from appliance.judge.key import Key, show
from appliance.judge.needs import Needs
from appliance.judge.needs_keys import BAUDS, TABLES
from appliance.judge.sheet import SheetError
from appliance.line.events import Counted, PortState, Tuned
from appliance.measure.signature import FORMATS
from appliance.sentence.chunk import Chunk
from appliance.sentence.counters import Counters
from appliance.sentence.setting import Setting
from appliance.tap.core import PICTURE
from appliance.tap.keeper import Keeper
from appliance.tap.listening import Listening
from appliance.tap.publish import publish
from appliance.tap.shown import live_picture, weighty
from appliance.watch import CONTROLLER, LOOK_NS, RECEIVER

if TYPE_CHECKING:
    from tests.endurance.strange_said import SHAPES
    from tests.endurance.strange_talk import Talk
else:  # as a script it finds its neighbours only
    from strange_said import SHAPES
    from strange_talk import Talk

S = 1_000_000_000
MACHINE = "Larkmere tractor 3"
BOX_CLOCKS = (
    *(datetime(1970, 1, 1), datetime(2000, 1, 1), datetime(2026, 5, 4, 9), datetime(2038, 1, 19)),
    datetime(2100, 2, 28),
)
LOOKS_ASLEEP = 20
"""In hours of which nothing is heard the box looks seldom, as if it were asleep: so its own clock leaps too."""
CLOCK_STEPS_S = (1, -1, 3600, -86_400, 5 * 365 * 86_400)


def drawn(chance: random.Random) -> tuple[Needs, str]:
    """One of the sheets that come along, or any that may be written."""
    if chance.random() < 0.5:
        name = chance.choice([one.name for one in needs_of.list_all(())])
        return needs_of.load(name), needs_of.text(name)
    while True:
        rows = []
        for table in TABLES:
            for head in chance.sample(list(SHAPES), chance.randrange(5)) if table.many else [table.head]:
                rows.append(f"[{table.head}.{head}]" if table.many else f"[{head}]" if head else "")
                for key in table.keys:
                    if key.required or chance.random() < 0.5:
                        rows.append(f"{key.name} = {show(_value(key, chance))}")
        toml = "\n".join(rows)
        try:
            return needs_of.from_toml(toml, "drawn-by-chance"), toml
        except SheetError:
            continue


def _value(key: Key, chance: random.Random) -> Any:
    if key.choices:
        return chance.choice(key.choices)
    least, most = key.least or 0, key.most or 9
    if key.kind == "text":
        return "Drawn by chance"
    if key.kind == "yes-no":
        return chance.random() < 0.5
    if key.kind == "texts":
        return chance.sample(["GP", "GN", "II"], chance.randrange(3))
    if key.kind == "wholes":
        return chance.sample(range(10), chance.randrange(5))
    value = chance.choice((least, most, least + (most - least) * chance.random() ** 4))
    return int(value) if key.kind == "whole" else float(value)


@dataclass
class StrangeBox:
    """One box in a folder that hears what a seed says. raised: in a thread."""

    folder: Path
    seed: int
    seconds_most: float
    raised: list[str] = field(default_factory=list)
    faults: int = 0

    def __post_init__(self) -> None:
        chance = self.chance = random.Random(f"box {self.seed}")
        self.run = self.folder / "run"
        self.run.mkdir()
        (self.folder / "needs").mkdir()
        self.needs, self.toml = drawn(chance)
        port_baud = chance.choice((self.needs.baud, self.needs.baud, chance.choice(BAUDS)))
        words = f'machine = "{MACHINE}"\nhistory = "history.db"\nrun_folder = "run"\n[lamps]\npins = "mock"\n'
        for line in (RECEIVER, CONTROLLER):
            words += f'[line.{line}]\nport = "/dev/none-{line}"\nbaud = {port_baud}\n'
        self.settings = box.from_toml(words, "linelamp.toml", self.folder)
        self.talk = Talk(self.seed, port_baud, chance.uniform(min(5.0, self.seconds_most), self.seconds_most))
        self.origin_ns = chance.choice((S, 1000 * S, 40 * 86_400 * S))
        self.now_ns = self.origin_ns
        self.wall_ns = int(chance.choice(BOX_CLOCKS).replace(tzinfo=UTC).timestamp()) * S
        self.keeper = Keeper(self.settings.history, self._start(), clock=lambda: self.now_ns)
        self.listening = Listening(self.settings, self.needs, self.keeper, self._mark, started_ns=self.now_ns)

    def _start(self) -> WatchStart:
        return WatchStart(self.now_ns, time.time_ns(), self.needs.name, self.toml, MACHINE, "0")

    def live(self) -> None:
        """Hears all of it."""
        with mock.patch.object(threading, "excepthook", self._note):
            self.keeper.start()
            self.listening.begin()
            self._port(RECEIVER, "open")
            self._port(CONTROLLER, "open")
            with (self.folder / "plain.log").open("wb") as log:
                for at_s, data in self.talk.pieces():
                    at_ns = self.origin_ns + round(at_s * 1e9)
                    while self.now_ns + LOOK_NS <= at_ns:
                        self._look(max(LOOK_NS, (at_ns - self.now_ns) // LOOKS_ASLEEP))
                    self._hear(Chunk(data, max(at_ns, self.now_ns), 10 * S // self.talk.baud))
                    log.write(data)
            for _ in range(10):
                self._look()
            self.listening.finish(self.now_ns)
            assert self.keeper.stop(self.now_ns, 60.0), "the keeper does not end"
        assert not self.raised, self.raised[0]
        assert not self.keeper.dropped
        assert not self.keeper.says, self.keeper.says

    def _note(self, told: threading.ExceptHookArgs) -> None:
        self.raised.append("".join(traceback.format_exception(told.exc_value)))

    def box_clock(self) -> int:
        """What its wall clock says, in ns."""
        return self.wall_ns + self.now_ns - self.origin_ns

    def _hear(self, chunk: Chunk) -> None:
        line = RECEIVER if self.chance.random() < 0.97 else CONTROLLER
        wanted = self.listening.handle((line, chunk))
        if wanted is not None:
            refused = self.chance.random() < 0.3
            setting = self.listening.watch.meters[line].listening if refused else wanted
            self.listening.handle((line, Tuned(line, chunk.end_ns, setting, "It cannot." if refused else "", 0.0)))

    def _look(self, after_ns: int = LOOK_NS) -> None:
        self.now_ns += after_ns
        self._befalls()
        listening = self.listening
        listening.watch.prepare()
        listening.wiggling.turn(self.now_ns, listening.offset_ns(self.now_ns))
        before = listening.watch.faults.closed_count
        listening.look(self.now_ns)
        weighty(listening, self.keeper.watch_id, None, {})
        self.faults += listening.watch.faults.closed_count - before
        if self.chance.random() < 0.15:
            self.show()
        assert not self.raised, self.raised[0]

    def _befalls(self) -> None:
        """What people, ports and the box's clock do meanwhile; each now and then."""
        chance, listening, now_ns = self.chance, self.listening, self.now_ns
        line = RECEIVER if chance.random() < 0.8 else CONTROLLER
        if chance.random() > 0.03:
            return
        what = chance.randrange(9)
        if what == 0:
            self._port(line, chance.choice(("lost", "missing", "open", "open")))
        elif what == 1:
            self._port(line, "open")
        elif what == 2:
            listening.mark(MarkRow(now_ns, "page", "row 12"))
        elif what == 3:
            self.wall_ns = max(0, self.wall_ns + chance.choice(CLOCK_STEPS_S) * S)
        elif what == 4:
            listening.wiggling.ask(chance.random() < 0.7)
        elif what == 5:
            counters = Counters(*(chance.randrange(1000) for _ in range(5))) if chance.random() < 0.9 else None
            listening.handle((line, Counted(line, now_ns, counters)))
        elif what == 6 and chance.random() < 0.3:
            setting = Setting.parse(chance.choice(BAUDS), chance.choice(FORMATS))
            listening.handle((line, Tuned(line, now_ns, setting, "", chance.choice((None, 0.0, 0.01)))))
        elif what == 7 and chance.random() < 0.3:
            self._renew()
        elif what == 8:
            given = Job(machine=MACHINE, notes="invented")
            self.keeper.job(None, given, listening.offset_ns(now_ns) + now_ns, lambda _says: None)

    def _renew(self) -> None:
        before = self.listening
        before.finish(self.now_ns)
        self.needs, self.toml = drawn(self.chance)
        self.keeper.renew(self.now_ns, self._start())
        self.listening = Listening(
            self.settings, self.needs, self.keeper, self._mark, started_ns=self.now_ns, before=before
        )
        self.listening.begin()

    def _mark(self, note: str) -> None:
        self.listening.mark(MarkRow(self.now_ns, "box", note))

    def _port(self, line: str, state: str) -> None:
        says = (
            "" if state == "open" else f"/dev/none-{line} has gone: was the adapter pulled out? The box goes on trying."
        )
        self.listening.handle((line, PortState(line, self.now_ns, state, says, 0.0)))  # type: ignore[arg-type]

    def show(self) -> None:
        """The live picture, as plain JSON."""
        says = {"dropped": 0, "history_says": self.keeper.says, "says": []}
        told = live_picture(
            self.listening, self.settings, self.keeper.watch_id, lamps=None, box=says, now_ns=self.now_ns
        )
        json.dumps(told, allow_nan=False)
        publish(self.run / PICTURE, told)
