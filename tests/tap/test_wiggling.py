"""The wiggle test in the tap, in a time of its own: what it shows at each turn, what it marks, what the lamps do."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from appliance.judge import needs
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.wire import chunks
from appliance.tap.core import TICK_S
from appliance.tap.wiggling import MOST_S, NAME, RED_NS, Wiggling
from appliance.watch import RECEIVER, Watch

ORIGIN_NS = 900_000_000_000
SECOND = 1_000_000_000
OFFSET_NS = 1_777_886_000 * SECOND - ORIGIN_NS  # the origin is 2026-05-04T09:13:20Z (`date -u -d @1777886000`)
TICK_NS = round(TICK_S * 1e9)


class Turns:
    """Turns of the tap, 20 a second, over a healthy line that `spoil` may spoil epoch by epoch."""

    def __init__(self, folder: Path, sheet: str = "rate-section") -> None:
        self.path = folder / NAME
        self.watch = Watch(needs.load(sheet), {RECEIVER: 38400}, ORIGIN_NS)
        self.marks: list[str] = []
        self.wiggling = Wiggling(self.watch, folder, self.marks.append)
        self.now_ns = ORIGIN_NS
        self.spoil: Callable[[bytes], bytes] = lambda data: data
        self._said = self._chunks()
        self._next = next(self._said)

    def _chunks(self) -> Iterator[tuple[int, Chunk | None]]:
        """Each chunk, or that nothing came in an epoch, and when."""
        for burst in Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, 200):
            spoilt = burst._replace(data=self.spoil(burst.data))
            if not spoilt.data:
                yield ORIGIN_NS + round(burst.due_s * SECOND), None
            else:
                for chunk in chunks([spoilt], 38400, origin_ns=ORIGIN_NS, most_bytes=4096, most_s=1.0):
                    yield chunk.end_ns, chunk

    def go(self, seconds: float) -> list[str | None]:
        """Goes on for so long; what the lamps show at each turn."""
        patterns = []
        until_ns = self.now_ns + round(seconds * SECOND)
        while self.now_ns < until_ns:
            self.now_ns += TICK_NS
            while self._next[0] <= self.now_ns:
                if self._next[1] is not None:
                    self.watch.feed(RECEIVER, self._next[1])
                self._next = next(self._said)
            self.wiggling.turn(self.now_ns, OFFSET_NS)
            patterns.append(self.wiggling.pattern(self.now_ns))
        return patterns

    def shown(self) -> dict[str, Any]:
        return json.loads(self.path.read_text())  # type: ignore[no-any-return]


@pytest.fixture
def turns(tmp_path: Path) -> Turns:
    return Turns(tmp_path)


def once(old: bytes, new: bytes) -> Callable[[bytes], bytes]:
    """Puts new in the place of old in the first epoch from now on that holds it."""
    left = [True]

    def spoil(said: bytes) -> bytes:
        if left and old in said:
            left.clear()
            return said.replace(old, new, 1)
        return said

    return spoil


def lost(type_: bytes) -> Callable[[bytes], bytes]:
    return lambda said: b"".join(row for row in said.splitlines(keepends=True) if row[3:6] != type_)


def garbled(type_: bytes) -> Callable[[bytes], bytes]:
    """One byte of each such sentence wrong."""
    return lambda said: b"".join(
        row.replace(b",", b";", 1) if row[3:6] == type_ else row for row in said.splitlines(keepends=True)
    )


def test_nothing_is_shown_or_marked_before_somebody_asks(turns: Turns) -> None:
    assert set(turns.go(2)) == {None}
    assert not turns.path.exists()
    assert turns.marks == []


def test_a_healthy_line_counts_nothing_and_green_is_steady(turns: Turns) -> None:
    turns.go(1)
    done = turns.wiggling.ask(True)
    assert not done.is_set()
    assert set(turns.go(30)) == {"wiggle"}
    assert done.is_set()
    assert turns.shown() == {
        "format": 1, "on": True, "line": RECEIVER, "started_utc": "2026-05-04T09:13:21.050Z", "seconds": 29.95,
        "count": 0, "damaged": 0, "missing": 0, "last_hit_s": None, "silent": False,
        "silence_s": pytest.approx(0.1, abs=0.1), "strip": [0] * 240,
    }  # fmt: skip
    turns.wiggling.ask(False)
    assert turns.go(0.1) == [None, None]
    assert turns.shown()["on"] is False
    assert turns.marks == ["Wiggle test began", "Wiggle test ended: no loss in 30.0 s"]


@pytest.mark.parametrize(
    ("spoil", "damaged", "missing"),
    [(garbled(b"GGA"), 25, 0), (garbled(b"RMC"), 5, 0), (lost(b"GGA"), 0, 24), (lost(b"RMC"), 0, 4)],
)
def test_each_damaged_and_each_missing_sentence_counts(
    turns: Turns, spoil: Callable[[bytes], bytes], damaged: int, missing: int
) -> None:
    turns.go(2)
    turns.wiggling.ask(True)
    turns.go(1)
    turns.spoil = spoil
    turns.go(5)
    shown = turns.shown()
    assert (shown["damaged"], shown["missing"]) == (pytest.approx(damaged, abs=1), pytest.approx(missing, abs=1))
    assert shown["count"] == shown["damaged"] + shown["missing"] == sum(shown["strip"])
    assert shown["last_hit_s"] < 1.6
    assert sum(shown["strip"][:-21]) == 0  # nothing before the five seconds of it


def test_red_alone_for_150_ms_at_a_loss_and_shown_with_the_next_turn(turns: Turns) -> None:
    turns.go(1)
    turns.wiggling.ask(True)
    turns.go(1.8)
    turns.spoil = once(b"VTG,", b"VTG;")
    seen: list[tuple[str | None, int]] = []
    for _ in range(20):
        seen += [(*turns.go(TICK_S), turns.shown()["count"])]
    patterns = "".join({"hit": "r", "wiggle": "g"}[pattern or ""] for pattern, _ in seen)
    assert patterns.strip("g") == "r" * (RED_NS // TICK_NS)
    assert patterns.index("r") == [count for _, count in seen].index(1)
    assert seen[-1][1] == 1


def test_the_end_keeps_the_last_figures_and_tells_them(turns: Turns) -> None:
    turns.go(1)
    turns.wiggling.ask(True)
    turns.go(2)
    turns.spoil = once(b"ZDA,", b"ZDA;")
    turns.go(3)
    turns.wiggling.ask(False)
    turns.go(1)
    shown = turns.shown()
    assert (shown["on"], shown["count"], shown["damaged"], shown["missing"]) == (False, 1, 1, 0)
    before = turns.path.stat().st_mtime_ns
    turns.go(1)
    assert turns.path.stat().st_mtime_ns == before
    assert turns.marks[1] == "Wiggle test ended: 1 loss in 5.0 s: 1 damaged, 0 missing"


def test_asked_again_it_begins_anew(turns: Turns) -> None:
    turns.go(1)
    turns.wiggling.ask(True)
    turns.spoil = garbled(b"GGA")
    turns.go(2)
    assert turns.shown()["count"] > 5
    turns.spoil = lambda said: said
    turns.go(1)
    turns.wiggling.ask(True)
    turns.go(0.5)
    assert (turns.shown()["on"], turns.shown()["count"], turns.shown()["seconds"]) == (True, 0, 0.45)
    assert [mark.split(":")[0] for mark in turns.marks] == [
        "Wiggle test began", "Wiggle test ended", "Wiggle test began",
    ]  # fmt: skip


def test_an_end_without_a_test_is_nothing(turns: Turns) -> None:
    done = turns.wiggling.ask(False)
    turns.go(0.1)
    assert done.is_set()
    assert turns.marks == []
    assert not turns.path.exists()


def test_nobody_forgets_it_on(turns: Turns) -> None:
    turns.wiggling.ask(True)
    turns.go(TICK_S)
    started_ns = turns.now_ns
    for more_s, on in ((MOST_S - 0.01, True), (MOST_S, False)):
        turns.wiggling.turn(started_ns + round(more_s * 1e9), OFFSET_NS)
        assert turns.wiggling.on is on
    assert turns.shown()["on"] is False
    assert turns.marks[-1].startswith("Wiggle test ended by itself after 15 min: ")


def test_a_dead_line_is_never_green_even_where_no_message_is_named(tmp_path: Path) -> None:
    turns = Turns(tmp_path, "alive")
    turns.wiggling.ask(True)
    turns.go(1)
    turns.spoil = lambda _: b""
    patterns = turns.go(8)
    assert turns.shown()["count"] == 0
    assert turns.shown()["silent"] is True
    assert patterns[0] == "wiggle"
    assert patterns[-1] == "hit"
    turns.spoil = lambda said: said
    assert turns.go(1)[-1] == "wiggle"


def test_the_tap_that_stops_ends_it(turns: Turns) -> None:
    turns.wiggling.ask(True)
    turns.go(3)
    turns.wiggling.stop(turns.now_ns, OFFSET_NS)
    turns.wiggling.stop(turns.now_ns, OFFSET_NS)
    assert turns.marks[1:] == ["Wiggle test ended with its watch: no loss in 3.0 s"]


def test_asked_from_other_threads_it_does_each(turns: Turns) -> None:
    events: list[threading.Event] = []
    threads = [threading.Thread(target=lambda: events.append(turns.wiggling.ask(True))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    turns.go(TICK_S)
    assert [event.is_set() for event in events] == [True] * 8
    assert turns.marks.count("Wiggle test began") == 8
