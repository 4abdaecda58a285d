"""A simulated feed judged from its start to its end, with what is to be known of its bytes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import pytest

from appliance.judge import needs
from appliance.judge.faults import Fault
from appliance.judge.needs import Needs
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell, apply
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.wire import chunks
from appliance.watch import LOOK_NS, RECEIVER, Watch

ORIGIN_NS = 1_000_000_000_000


@dataclass
class Lived:
    """A watch over a feed. Times in seconds from its start; turns: (when, verdict); looks: (when, state, failing)."""

    watch: Watch
    chunks: list[Chunk]
    faults: list[Fault] = field(default_factory=list)
    closed: list[Fault] = field(default_factory=list)
    turns: list[tuple[float, str]] = field(default_factory=list)
    looks: list[tuple[float, str, list[str]]] = field(default_factory=list)

    def run(self, to_ns: int, phase_ns: int, ports: Sequence[tuple[float, str]] = ()) -> Lived:
        waiting = [(ORIGIN_NS + round(at_s * 1e9), says) for at_s, says in ports]
        due_ns = ORIGIN_NS + phase_ns

        def until(end_ns: int) -> None:
            nonlocal due_ns
            while due_ns < end_ns:
                while waiting and waiting[0][0] <= due_ns:
                    at_ns, says = waiting.pop(0)
                    self.watch.port(RECEIVER, says, at_ns)
                self.look(due_ns)
                due_ns = self.watch.next_look_ns

        for chunk in self.chunks:
            until(chunk.end_ns)
            self.watch.feed(RECEIVER, chunk)
        until(to_ns)
        return self

    def look(self, at_ns: int) -> None:
        seen = self.watch.look(at_ns)
        self.faults += seen.opened
        self.closed += seen.closed
        at_s = (at_ns - ORIGIN_NS) / 1e9
        if seen.turned:
            self.turns.append((at_s, self.watch.verdict.state))
        failing = [check.id for check in seen.checks if check.state == "fail"]
        self.looks.append((at_s, self.watch.verdict.state, failing))

    @property
    def kinds(self) -> set[tuple[str, str]]:
        return {(fault.kind, fault.message) for fault in self.faults}

    def ends(self, types: str = "") -> list[float]:
        """When the last byte of each sentence of these types (all, if none is named) had come."""
        return [at for type_, at in self._sentences() if not types or type_ in types.split()]

    def before(self, types: str, at_s: float) -> float:
        return max(end for end in self.ends(types) if end < at_s)

    def after(self, types: str, at_s: float) -> float:
        return min(end for end in self.ends(types) if end >= at_s)

    def _sentences(self) -> Iterator[tuple[str, float]]:
        held = b""
        for chunk in self.chunks:
            for at, byte in enumerate(chunk.data):
                held += bytes((byte,))
                if byte == 0x0A:
                    address = held.rpartition(b"$")[2].partition(b",")[0]
                    yield address[-3:].decode("latin-1"), seconds(chunk.start_ns + at * chunk.step_ns)
                    held = b""


_said: dict[str, list[Burst]] = {}
"""What a receiver said, kept since many tests begin with the same."""


def seconds(at_ns: int) -> float:
    return (at_ns - ORIGIN_NS) / 1e9


@pytest.fixture
def usual() -> Needs:
    return needs.load("rate-section")


@pytest.fixture
def live(usual: Needs) -> Callable[..., Lived]:
    """Judges a receiver for so many seconds. spells: its faults. The rest: how it is set up, cut, looked at."""

    def run(
        spells: Sequence[Spell] = (),
        length_s: float = 60.0,
        *,
        sheet: Needs = usual,
        seed: int = 1,
        phase_ns: int = LOOK_NS,
        piece_bytes: int = 64,
        begin_s: float = 300.0,
        ports: Sequence[tuple[float, str]] = (),
        **settings: object,
    ) -> Lived:
        key = repr((settings, seed, begin_s, length_s))
        if key not in _said:
            receiver = Receiver(ReceiverSettings(**settings), Drive(seed), seed)  # type: ignore[arg-type]
            said = receiver.epochs(begin_s, begin_s + length_s)
            _said[key] = [burst._replace(due_s=burst.due_s - begin_s) for burst in said]
        bursts = apply(_said[key], spells, seed)
        feed = chunks(bursts, sheet.baud, origin_ns=ORIGIN_NS, most_bytes=piece_bytes, most_s=1.0)
        watch = Watch(sheet, {RECEIVER: sheet.baud}, ORIGIN_NS)
        return Lived(watch, list(feed)).run(ORIGIN_NS + round(length_s * 1e9), phase_ns, ports)

    return run


@pytest.fixture
def at_rate(usual: Needs) -> Callable[[float], Needs]:
    """The usual needs with GGA and VTG at another rate, and a gap of three of its intervals."""

    def make(rate_hz: float) -> Needs:
        fast = {
            type_: replace(usual.messages[type_], rate_hz=rate_hz, gap_most_s=3 / rate_hz) for type_ in ("GGA", "VTG")
        }
        return replace(usual, messages={**usual.messages, **fast}, silence_most_s=max(0.6, 3 / rate_hz))

    return make
