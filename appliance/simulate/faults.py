"""Faults by name: each a table entry that spoils scheduled bursts within a span of time, and touches nothing else.

They stand in the order in which things happen between the sky and the end of the cable: what the receiver knows,
how it is set up, its port, the wire. Several at once are applied in that order, whatever order they are given in.
A fault that is a matter of chance draws from the seed and the burst's own instant.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from random import Random
from typing import NamedTuple

from .receiver import Burst
from .said import Said, has_corrections, move, pad_position, place, replaced, rewritten, set_mode, shorten_position
from .talk import COLD, cold, seal
from .wander import ERROR_M, Wander


@dataclass(slots=True, frozen=True)
class Spell:
    """One fault in start_s <= t < end_s.

    intensity: how bad, in the fault's own unit; None for its usual value. what: the message type that it strikes,
    or the talker that it puts; empty for the fault's usual.
    """

    fault: str
    start_s: float
    end_s: float
    intensity: float | None = None
    what: str = ""

    def __post_init__(self) -> None:
        if self.fault not in FAULTS:
            raise ValueError(f"no fault is named {self.fault!r}; there are {', '.join(FAULTS)}")
        if not self.start_s < self.end_s:
            raise ValueError(f"{self.fault} from {self.start_s} s to {self.end_s} s: the end must come later")


class Dose(NamedTuple):
    """What a fault is made from: its span's start, how much, of what, and the seed of its chances."""

    start_s: float
    intensity: float
    what: str
    seed: int


Change = Callable[[Burst], Burst | None]


@dataclass(slots=True, frozen=True)
class Fault:
    """says: what happens, in words. unit and usual: of its intensity. what: the usual one. make: builds it."""

    says: str
    unit: str
    usual: float
    make: Callable[[Dose], Change]
    what: str = ""


def apply(bursts: Iterable[Burst], spells: Sequence[Spell], seed: int) -> Iterator[Burst]:
    """The bursts with the faults of their time on them; those outside every span pass through as they are.

    A spell strikes the bursts that are due in it. The order stays that of sending, even if a fault delays one.
    """
    ranks = {name: rank for rank, name in enumerate(FAULTS)}
    steps = [(spell, _begin(spell, seed)) for spell in sorted(spells, key=lambda spell: ranks[spell.fault])]
    for burst in bursts:
        struck: Burst | None = burst
        for spell, change in steps:
            if struck is not None and spell.start_s <= burst.due_s < spell.end_s:
                struck = change(struck)
        if struck is not None and struck.data:
            yield struck


def _begin(spell: Spell, seed: int) -> Change:
    fault = FAULTS[spell.fault]
    intensity = fault.usual if spell.intensity is None else spell.intensity
    return fault.make(Dose(spell.start_s, intensity, spell.what or fault.what, seed))


# What the receiver knows


def _no_fix(_: Dose) -> Change:
    def make(said: Said) -> bytes:
        if said.message not in COLD:
            return said.sealed()
        status = said.message != "RMC" or len(said.fields) > 12
        return seal(cold(said.talker, said.message, status))

    return replaced(make)


def _quality(dose: Dose) -> Change:
    """Claims another quality, and adds the error that goes with it: it can make a position worse, not better."""
    quality = int(dose.intensity)
    wander, error_m = Wander(f"quality {dose.seed}"), ERROR_M[quality]

    def edit(said: Said) -> None:
        north, east, _ = wander.at(said.due_s)
        move(said, north * error_m, east * error_m)
        set_mode(said, quality)

    return rewritten(edit)


def _age_grows(dose: Dose) -> Change:
    def edit(said: Said) -> None:
        if said.message == "GGA" and has_corrections(said):
            age = place(said, "age")
            grown_s = float(said.fields[age]) + (said.due_s - dose.start_s) * dose.intensity
            said.fields[age] = f"{grown_s:.1f}"

    return rewritten(edit)


def _field(name: str, form: str) -> Callable[[Dose], Change]:
    """A fault that puts its intensity into one field of GGA."""

    def make(dose: Dose) -> Change:
        def edit(said: Said) -> None:
            if said.message == "GGA":
                said.fields[place(said, name)] = format(dose.intensity, form)

        return rewritten(edit)

    return make


def _frozen(_: Dose) -> Change:
    kept: dict[str, list[str]] = {}

    def edit(said: Said) -> None:
        at = said.position
        if at is not None:
            said.fields[at : at + 4] = kept.setdefault(said.message, said.fields[at : at + 4])

    return rewritten(edit)


def _date_missing(_: Dose) -> Change:
    def edit(said: Said) -> None:
        if said.message == "ZDA":
            said.fields[1:4] = ["", "", ""]
        elif said.message == "RMC":
            said.fields[place(said, "date")] = ""

    return rewritten(edit)


# How it is set up


def _decimals(dose: Dose) -> Change:
    return rewritten(lambda said: shorten_position(said, int(dose.intensity)))


def _long(dose: Dose) -> Change:
    return rewritten(lambda said: pad_position(said, int(dose.intensity)))


def _talker(dose: Dose) -> Change:
    def edit(said: Said) -> None:
        said.talker = dose.what

    return rewritten(edit)


def _no_checksum(_: Dose) -> Change:
    return replaced(lambda said: said.sealed().partition(b"*")[0] + b"\r\n")


# Its port


def _message_off(dose: Dose) -> Change:
    return replaced(lambda said: b"" if said.message == dose.what else said.sealed())


def _slow(dose: Dose) -> Change:
    """Keeps the first of each so many bursts of a type; a message of many sentences stays or goes as one."""
    heard: dict[str, int] = {}

    def change(burst: Burst) -> Burst:
        present: set[str] = set()

        def make(said: Said) -> bytes:
            if dose.what not in ("", said.message):
                return said.sealed()
            if said.message not in present:
                present.add(said.message)
                heard[said.message] = heard.get(said.message, -1) + 1
            return b"" if heard[said.message] % int(dose.intensity) else said.sealed()

        return replaced(make)(burst)

    return change


def _jitter(dose: Dose) -> Change:
    def change(burst: Burst) -> Burst:
        return Burst(burst.due_s + _dice("jitter", dose, burst).uniform(0, dose.intensity), burst.data)

    return change


# The wire


def _binary(dose: Dose) -> Change:
    """Another talker's, or another mode's, bytes before each burst; never one that a sentence begins with."""

    def change(burst: Burst) -> Burst:
        dice = _dice("binary", dose, burst)
        stray = bytes(dice.choice(_NOT_START) for _ in range(int(dose.intensity)))
        return Burst(burst.due_s, stray + burst.data)

    return change


_NOT_START = bytes(set(range(256)) - set(b"$!\\"))


def _cut(dose: Dose) -> Change:
    """Each sentence loses its tail, line end and all, with this chance: a buffer that ran over."""

    def change(burst: Burst) -> Burst:
        dice = _dice("cut", dose, burst)
        parts = re.findall(rb"[^\n]*\n|[^\n]+", burst.data)
        kept = [
            part[: dice.randrange(1, max(2, len(part) - 5))] if dice.random() < dose.intensity else part
            for part in parts
        ]
        return Burst(burst.due_s, b"".join(kept))

    return change


def _flipped(dose: Dose) -> Change:
    def change(burst: Burst) -> Burst:
        dice = _dice("flipped", dose, burst)
        spoilt = bytearray(burst.data)
        for at in range(len(spoilt)):
            if dice.random() < dose.intensity:
                spoilt[at] ^= 1 << dice.randrange(8)
        return Burst(burst.due_s, bytes(spoilt))

    return change


def _lost(dose: Dose) -> Change:
    def change(burst: Burst) -> Burst:
        dice = _dice("lost", dose, burst)
        return Burst(burst.due_s, bytes(byte for byte in burst.data if dice.random() >= dose.intensity))

    return change


def _noise(dose: Dose) -> Change:
    """Half of the chance flips one bit of a byte, the other half loses the byte."""
    half = dose._replace(intensity=dose.intensity / 2)
    flipped, lost = _flipped(half), _lost(half)
    return lambda burst: lost(flipped(burst) or burst)


def _silence(_: Dose) -> Change:
    return lambda _burst: None


def _dice(name: str, dose: Dose, burst: Burst) -> Random:
    return Random(f"{name} {dose.seed} {burst.due_s:.6f}")


FAULTS: dict[str, Fault] = {
    "no-fix": Fault("no position yet: empty sentences", "", 1, _no_fix),
    "quality": Fault("the fix falls to another quality", "quality number", 5, _quality),
    "age-grows": Fault("corrections no longer arrive and grow old", "s in each s", 1, _age_grows),
    "satellites": Fault("fewer satellites are used", "satellites", 3, _field("satellites", "02.0f")),
    "hdop": Fault("the satellites stand badly", "HDOP", 6, _field("hdop", ".2f")),
    "frozen": Fault("coordinates stand still while the machine moves", "", 1, _frozen),
    "date-missing": Fault("RMC and ZDA carry no date", "", 1, _date_missing),
    "decimals": Fault("the position has fewer decimals", "decimals of a minute", 4, _decimals),
    "long": Fault("sentences with a position grow longer", "characters, all in", 100, _long),
    "talker": Fault("another talker is set", "", 1, _talker, what="GP"),
    "no-checksum": Fault("sentences come without checksum", "", 1, _no_checksum),
    "message-off": Fault("one message is no longer sent", "", 1, _message_off, what="VTG"),
    "slow": Fault("only one sentence in so many is sent", "one in", 2, _slow),
    "jitter": Fault("bursts come late by chance", "s at most", 0.15, _jitter),
    "binary": Fault("stray bytes before each burst", "bytes", 24, _binary),
    "cut": Fault("sentences lose their tail", "chance for each sentence", 0.2, _cut),
    "flipped": Fault("single bits are flipped", "chance for each byte", 0.01, _flipped),
    "lost": Fault("single bytes are lost", "chance for each byte", 0.01, _lost),
    "noise": Fault("bytes are flipped or lost", "chance for each byte", 0.01, _noise),
    "silence": Fault("nothing comes: the cable is out", "", 1, _silence),
}
