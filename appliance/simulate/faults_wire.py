"""Faults of the wire: bytes that are added, flipped, cut or lost between the port and the listener."""

from __future__ import annotations

import re

from .fault import Change, Dose, Fault, dice_of
from .receiver import Burst


def _binary(dose: Dose) -> Change:
    """Another talker's, or another mode's, bytes before each burst; never one that a sentence begins with."""

    def change(burst: Burst) -> Burst:
        dice = dice_of("binary", dose, burst)
        stray = bytes(dice.choice(_NOT_START) for _ in range(int(dose.intensity)))
        return Burst(burst.due_s, stray + burst.data)

    return change


_NOT_START = bytes(set(range(256)) - set(b"$!\\"))


def _cut(dose: Dose) -> Change:
    """Each sentence loses its tail, line end and all, with this chance: a buffer that ran over."""

    def change(burst: Burst) -> Burst:
        dice = dice_of("cut", dose, burst)
        parts = re.findall(rb"[^\n]*\n|[^\n]+", burst.data)
        kept = [
            part[: dice.randrange(1, max(2, len(part) - 5))] if dice.random() < dose.intensity else part
            for part in parts
        ]
        return Burst(burst.due_s, b"".join(kept))

    return change


def _flipped(dose: Dose) -> Change:
    def change(burst: Burst) -> Burst:
        dice = dice_of("flipped", dose, burst)
        spoilt = bytearray(burst.data)
        for at in range(len(spoilt)):
            if dice.random() < dose.intensity:
                spoilt[at] ^= 1 << dice.randrange(8)
        return Burst(burst.due_s, bytes(spoilt))

    return change


def _lost(dose: Dose) -> Change:
    def change(burst: Burst) -> Burst:
        dice = dice_of("lost", dose, burst)
        return Burst(burst.due_s, bytes(byte for byte in burst.data if dice.random() >= dose.intensity))

    return change


def _noise(dose: Dose) -> Change:
    """Half of the chance flips one bit of a byte, the other half loses the byte."""
    half = dose._replace(intensity=dose.intensity / 2)
    flipped, lost = _flipped(half), _lost(half)
    return lambda burst: lost(flipped(burst) or burst)


def _silence(_: Dose) -> Change:
    return lambda _burst: None


WIRE: dict[str, Fault] = {
    "binary": Fault("stray bytes before each burst", "bytes", 24, _binary),
    "cut": Fault("sentences lose their tail", "chance for each sentence", 0.2, _cut),
    "flipped": Fault("single bits are flipped", "chance for each byte", 0.01, _flipped),
    "lost": Fault("single bytes are lost", "chance for each byte", 0.01, _lost),
    "noise": Fault("bytes are flipped or lost", "chance for each byte", 0.01, _noise),
    "silence": Fault("nothing comes: the cable is out", "", 1, _silence),
}
