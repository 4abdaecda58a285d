"""What a fault is made of: a dose of it becomes a change of bursts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import NamedTuple

from .receiver import Burst


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


def dice_of(name: str, dose: Dose, burst: Burst) -> Random:
    """The chances of a fault at one burst: drawn from the seed and the burst's own instant."""
    return Random(f"{name} {dose.seed} {burst.due_s:.6f}")
