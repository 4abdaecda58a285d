"""Faults by name: each a table entry that spoils scheduled bursts within a span of time, and touches nothing else.

They stand in the order in which things happen between the sky and the end of the cable: what the receiver knows,
how it is set up, its port, the wire. Several at once are applied in that order, whatever order they are given in.
A fault that is a matter of chance draws from the seed and the burst's own instant.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from .fault import Change, Dose, Fault
from .faults_clock import CLOCK
from .faults_fix import FIX
from .faults_motion import MOTION
from .faults_port import PORT
from .faults_wire import WIRE
from .receiver import Burst


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


FAULTS: dict[str, Fault] = FIX | MOTION | CLOCK | PORT | WIRE
