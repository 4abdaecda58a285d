"""A watch: meters, judge, verdict, faults and evidence driven together, live and piece by piece."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from appliance.judge import needs
from appliance.judge.faults import Fault
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell, apply
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.wire import chunks
from appliance.watch import CONTROLLER, LOOK_NS, RECEIVER, Watch

ORIGIN_NS = 7_000_000_000
SECOND = 1_000_000_000
USUAL = needs.load("rate-section")


def feed(*spells: Spell, seconds: float = 30.0, piece_bytes: int = 64) -> Iterator[Chunk]:
    bursts = Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, seconds)
    return chunks(apply(bursts, spells, 1), 38400, origin_ns=ORIGIN_NS, most_bytes=piece_bytes, most_s=1.0)


def live(watch: Watch, pieces: Iterator[Chunk], to_s: float) -> list[Fault]:
    found: list[Fault] = []
    for chunk in pieces:
        while watch.due(chunk.end_ns):
            found += watch.look(watch.next_look_ns).opened
        watch.feed(RECEIVER, chunk)
    while watch.due(ORIGIN_NS + round(to_s * SECOND)):
        found += watch.look(watch.next_look_ns).opened
    return found


def test_looks_are_due_five_times_a_second_and_in_silence() -> None:
    watch = Watch(USUAL, {RECEIVER: 38400}, ORIGIN_NS)
    assert watch.next_look_ns == ORIGIN_NS + LOOK_NS == ORIGIN_NS + SECOND // 5
    assert not watch.due(ORIGIN_NS + LOOK_NS - 1)
    assert watch.due(ORIGIN_NS + LOOK_NS)
    seen = watch.look(ORIGIN_NS + LOOK_NS + 7)
    assert seen.at_ns == ORIGIN_NS + LOOK_NS + 7
    assert seen.checks is watch.checks
    assert (seen.turned, seen.opened, seen.closed) == (False, [], [])
    assert watch.next_look_ns == ORIGIN_NS + 2 * LOOK_NS + 7
    assert watch.last_ns == ORIGIN_NS + LOOK_NS + 7


def test_damage_presses_for_a_look_until_there_was_one_and_while_there_is_a_go_to_end() -> None:
    watch = Watch(USUAL, {RECEIVER: 38400}, ORIGIN_NS)
    live(watch, feed(seconds=15), 15)
    assert not watch.pressing
    spoilt = Chunk(b"$GNHDT,74.20,T*00\r\n", watch.last_ns + SECOND // 50, 1000)
    watch.feed(RECEIVER, spoilt)
    assert watch.pressing
    watch.look(spoilt.end_ns)
    assert not watch.pressing
    watch.verdict.state = "no-go"
    watch.feed(RECEIVER, Chunk(spoilt.data, spoilt.end_ns + SECOND // 50, 1000))
    assert not watch.pressing


def test_a_fault_comes_with_its_evidence_once_it_is_whole() -> None:
    watch = Watch(USUAL, {RECEIVER: 38400}, ORIGIN_NS)
    pieces = list(feed(Spell("message-off", 15, 18, what="VTG")))
    opened = live(watch, iter(pieces), 30.0)
    (fault,) = opened
    assert fault.end_ns is not None
    assert (watch.faults.open, watch.faults.closed_count) == ([], 1)
    ((key, (excerpt,)),) = watch.evidence_ready(ORIGIN_NS + 30 * SECOND)
    assert key == fault.key
    assert excerpt.chunks == tuple(
        piece
        for piece in pieces
        if piece.end_ns >= fault.start_ns - 5 * SECOND and piece.start_ns <= fault.end_ns + 5 * SECOND
    )


def test_the_other_line_is_measured_and_not_judged() -> None:
    """Its silence, its gaps and its port are no matter."""
    watch = Watch(USUAL, {RECEIVER: 38400, CONTROLLER: 9600}, ORIGIN_NS)
    watch.feed(CONTROLLER, Chunk(b"$PASKED,1*00\r\n\xff", ORIGIN_NS, 1_000_000))
    watch.port(CONTROLLER, "It is gone.", ORIGIN_NS + SECOND)
    assert live(watch, feed(seconds=12), 12.0) == []
    assert watch.verdict.state == "go"
    assert watch.meters[CONTROLLER].load.total == 15
    assert watch.receiver is watch.meters[RECEIVER]


def test_a_lost_port_is_a_fault_at_once_and_nothing_else_is() -> None:
    watch = Watch(USUAL, {RECEIVER: 38400}, ORIGIN_NS)
    live(watch, feed(seconds=12), 12.0)
    watch.port(RECEIVER, "The adapter has gone.", ORIGIN_NS + 12 * SECOND)
    seen = watch.look(ORIGIN_NS + 20 * SECOND)
    assert seen.turned
    assert [(fault.kind, fault.start_ns, fault.says) for fault in seen.opened] == [
        ("port-lost", ORIGIN_NS + 12 * SECOND, "The adapter has gone.")
    ]
    assert {check.state for check in seen.checks if check.id != "port-lost"} == {"unknown"}
    watch.port(RECEIVER, "", ORIGIN_NS + 21 * SECOND)
    (closed,) = watch.look(ORIGIN_NS + 22 * SECOND).closed
    assert closed.end_ns == ORIGIN_NS + 21 * SECOND


@pytest.mark.parametrize("piece_bytes", [1, 17, 4096])
def test_the_cut_of_the_bytes_changes_nothing(piece_bytes: int) -> None:
    """Where a chunk is cut is the operating system's whim."""
    spells = (Spell("silence", 12, 15), Spell("quality", 16, 18, 9))
    found = [
        [(fault.kind, fault.start_ns, fault.end_ns) for fault in live(watch, feed(*spells, piece_bytes=size), 30.0)]
        for size in (64, piece_bytes)
        if (watch := Watch(USUAL, {RECEIVER: 38400}, ORIGIN_NS))
    ]
    assert [kind for kind, *_ in found[0]] == ["silent", "quality-not-accepted"]
    for one, two in zip(*found, strict=True):
        assert one[0] == two[0]
        assert one[1:] == pytest.approx(two[1:], abs=10_000)  # the step is rounded to whole ns in each piece
