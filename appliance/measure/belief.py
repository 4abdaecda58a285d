"""What a line is taken to be, and how likely each setting is before a byte of it was heard."""

from __future__ import annotations

from dataclasses import dataclass

from appliance.measure.signature import Candidate
from appliance.sentence.setting import Setting


@dataclass(slots=True, frozen=True)
class Belief:
    """What the line is taken to be. confidence: 0 to 1. locked: sentences have confirmed it."""

    candidate: Candidate
    confidence: float
    locked: bool


def best_at(scores: dict[Candidate, float], listening: Setting, wanted: Setting) -> float:
    """The best score of those that the listener would stay for: of his baud, or of his very setting."""
    same_baud = wanted.baud != listening.baud
    return max(
        score
        for (setting, _), score in scores.items()
        if (setting.baud == listening.baud if same_baud else setting == listening)
    )


def prior(candidate: Candidate, needed: Setting) -> float:
    """In nats: an inverted line and one of seven bits are rarer than a wrong baud. Common practice, no source."""
    chosen = candidate.setting
    nats = {"text": 0.0, "inverted": -3.0, "two-talkers": -4.0, "binary": -6.0, "noise": -4.0}[candidate.kind]
    nats -= {"8N1": 0.0, "7E1": 2.0, "8E1": 3.0}.get(chosen.name, 4.0)
    nats -= 0.0 if chosen.baud in (4800, 9600, 19200, 38400, 115200) else 1.0
    return nats + (2.0 if chosen == needed else 0.0)
