"""Causes of what is past: from stored faults, the bytes kept and sums of the seconds, the same cause as live."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from appliance.judge import needs as needs_of
from appliance.judge.faults import Fault
from appliance.judge.hindsight import Sums, suspects
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell, apply
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.wire import chunks
from appliance.watch import RECEIVER, Watch

SECOND = 1_000_000_000
USUAL = needs_of.load("rate-section")


def lived(*spells: Spell, until_s: float = 80.0) -> tuple[list[Fault], list[Chunk]]:
    """Faults and bytes of a drive with these spells."""
    watch = Watch(USUAL, {RECEIVER: USUAL.baud}, 0)
    faults: list[Fault] = []
    heard: list[Chunk] = []

    def look(until_ns: int) -> None:
        while watch.next_look_ns < until_ns:
            faults.extend(watch.look(watch.next_look_ns).opened)

    bursts = apply(Receiver(ReceiverSettings(), Drive(5), 5).epochs(0, until_s), spells, 5)
    for chunk in chunks(bursts, USUAL.baud, most_bytes=4096, most_s=1.0):
        look(chunk.end_ns)
        watch.feed(RECEIVER, chunk)
        heard.append(chunk)
    look(round(until_s * SECOND))
    return faults, heard


def around(heard: list[Chunk], fault: Fault) -> Iterator[Chunk]:
    end_ns = fault.end_ns or 2**62
    return (
        chunk
        for chunk in heard
        if chunk.end_ns >= fault.start_ns - 5 * SECOND and chunk.start_ns <= end_ns + 5 * SECOND
    )


SUMS = Sums(60, 48_000, 700, 0, 60, {"GGA": 300, "VTG": 300, "RMC": 60, "ZDA": 60})


@pytest.mark.parametrize(
    ("spell", "kind", "cause"),
    [
        (Spell("silence", 40, 44), "silent", "contact"),
        (Spell("message-off", 40, 50, what="VTG"), "gap", "message-off"),
        (Spell("noise", 40, 50, 0.01), "checksum-bad", "noise"),
        (Spell("cut", 40, 60, 0.3), "sentence-damaged", "line-full"),
        (Spell("frozen", 40, 60), "position-frozen", "receiver-mode"),
        (Spell("speed-zero", 40, 60), "position-frozen", "receiver-fields"),
        (Spell("age-grows", 20, 70, 2.0), "age-high", "corrections"),
    ],
)
def test_the_cause_is_the_one_that_was_named_live(spell: Spell, kind: str, cause: str) -> None:
    faults, heard = lived(spell)
    fault = next(one for one in faults if one.kind == kind)
    found = suspects(USUAL, fault, faults, chunks=around(heard, fault), baud=USUAL.baud, sums=SUMS)
    assert found
    assert found[0].cause.id == cause, [(one.cause.id, one.weight) for one in found]
    assert found[0].because_says


def test_a_silence_before_which_nothing_ever_came_is_no_loose_plug() -> None:
    fault = Fault("silent", RECEIVER, "", 2 * SECOND, None, "Nothing has come for 60 s.", 60.0, 0.6, "s")
    never = Sums(60, 0, 0, 0, 0, {})
    found = suspects(USUAL, fault, [fault], chunks=(), baud=USUAL.baud, sums=never)
    assert {one.cause.id for one in found} & {"output-off", "pins-crossed"}
    assert "contact" not in {one.cause.id for one in found}
    ended = replace(fault, start_ns=50 * SECOND, end_ns=54 * SECOND)
    found = suspects(USUAL, ended, [ended], chunks=(), baud=USUAL.baud, sums=SUMS)
    assert found[0].cause.id == "contact"


def test_a_gap_in_the_midst_of_noise_comes_of_the_noise() -> None:
    faults, heard = lived(Spell("noise", 40, 45, 0.02))
    gap = next(one for one in faults if one.kind == "gap" and one.message == "GGA")
    found = suspects(USUAL, gap, faults, chunks=around(heard, gap), baud=USUAL.baud, sums=SUMS)
    assert found[0].cause.id == "noise"


def test_only_what_explains_the_fault_is_named() -> None:
    faults, heard = lived(Spell("silence", 40, 44), Spell("talker", 50, 60, what="GP"))
    silent = next(one for one in faults if one.kind == "silent")
    found = suspects(USUAL, silent, faults, chunks=around(heard, silent), baud=USUAL.baud, sums=SUMS)
    assert "talker-unknown" not in {one.cause.id for one in found}
