"""The rows that go into history and come out of it: plain values, no database in sight.

All `_ns` are integers on the monotonic clock of the box, unless the name says utc_ns (ns since 1970-01-01 UTC).
Line names are `from-receiver` and `from-controller`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from appliance.sentence.chunk import Chunk
from appliance.sentence.setting import Setting

State = Literal["go", "no-go", "wait"]
CellState = Literal["go", "no-go", "wait", "none"]
ClipLabel = Literal["opening", "closing", "whole"]
MarkSource = Literal["button", "page", "box"]
LossWhat = Literal["position", "speed"]


class HistoryError(Exception):
    """History cannot be read or written; the text says what is wrong and what can be done."""


class HistoryDamaged(HistoryError):
    """The file is not a sound database any more. It is kept; see aside.py."""


class HistoryFull(HistoryError):
    """The card has no room for what was to be written."""


class HistoryNewer(HistoryError):
    """A newer version of the program has written it, as where the box went back to the version before."""


@dataclass(slots=True, frozen=True)
class WatchStart:
    """What is known when a watch begins.

    box_utc_ns: the wall clock of the box at started_ns; may be wrong, the box has no battery clock.
    needs_name, needs_toml: the needs sheet in force, with its whole text. version: of the program.
    """

    started_ns: int
    box_utc_ns: int
    needs_name: str
    needs_toml: str
    machine: str
    version: str


@dataclass(slots=True, frozen=True)
class SecondRow:
    """One line's measures over one second.

    second_ns: start of the second. bytes, junk: in bytes. sentences: good ones; damaged: the others.
    load_ratio: 0 to 1 and above. messages: count by talker and type, such as {"GNGGA": 5}.
    The fix is the last one of the second; None where nothing was said. jitter_s: the farthest that a needed message
    came from its schedule.
    """

    line: str
    second_ns: int
    bytes: int
    sentences: int
    damaged: int
    junk: int
    load_ratio: float
    verdict: State
    quality: int | None = None
    satellites: int | None = None
    hdop: float | None = None
    age_s: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    speed_mps: float | None = None
    messages: dict[str, int] = field(default_factory=dict)
    jitter_s: float | None = None


@dataclass(slots=True, frozen=True)
class Clip:
    """Raw bytes around a fault, kept as evidence. label: the span about its opening, its closing, or both in one."""

    label: ClipLabel
    line: str
    chunks: tuple[Chunk, ...]


@dataclass(slots=True, frozen=True)
class FaultRow:
    """A finding with a start and an end. message: sentence type, "" for the line itself. end_ns None: still on.

    measured, needed: in `unit`; None where there is no number.
    """

    kind: str
    line: str
    message: str
    start_ns: int
    end_ns: int | None
    says: str
    measured: float | None
    needed: float | None
    unit: str
    evidence: tuple[Clip, ...] = ()


@dataclass(slots=True, frozen=True)
class StoredFault(FaultRow):
    """A fault as history keeps it. id: of the fault; watch: id of its watch. Lists leave the evidence out."""

    id: int = 0
    watch: int = 0


@dataclass(slots=True, frozen=True)
class LossRow:
    """A time in which the controller would have been without its position or its speed. end_ns None: still on."""

    what: LossWhat
    start_ns: int
    end_ns: int | None


@dataclass(slots=True, frozen=True)
class TuningRow:
    """From at_ns on, the port of a line listened at this setting. Bytes before the first were heard as configured."""

    line: str
    at_ns: int
    setting: Setting


@dataclass(slots=True, frozen=True)
class BoxRow:
    """How the box itself was from at_ns on, up to the next row of the watch. None: it does not tell."""

    at_ns: int
    temperature_c: float | None
    supply_low: bool | None


@dataclass(slots=True, frozen=True)
class MarkRow:
    """A moment that somebody marked. source: the button, the page, or the box itself."""

    at_ns: int
    source: MarkSource
    note: str


@dataclass(slots=True, frozen=True)
class Watch:
    """One recording. utc_offset_ns: utc_ns = monotonic ns + offset.

    ended_ns None: still running, or cut off and not yet closed. last_ns: newest time known of it.
    dated: True where the offset came from the line, False where it is only the box's own wall clock.
    uncertainty_s: of the offset, None where not dated. ended_how: "stopped", "cut off", or "" while it runs.
    raw_gone_ns, seconds_gone_ns, events_gone_ns: raw bytes, seconds, or faults, losses and marks of before this time
    were dropped to make room, or erased; None: all is there. The last_ns of what is gone is not forgotten by it.
    """

    id: int
    started_ns: int
    ended_ns: int | None
    last_ns: int
    utc_offset_ns: int
    dated: bool
    uncertainty_s: float | None
    needs_name: str
    needs_toml: str
    machine: str
    version: str
    ended_how: str
    raw_gone_ns: int | None = None
    seconds_gone_ns: int | None = None
    events_gone_ns: int | None = None

    def utc_ns(self, mono_ns: int) -> int:
        """The UTC of a monotonic time of this watch, in ns since 1970."""
        return mono_ns + self.utc_offset_ns


@dataclass(slots=True, frozen=True)
class Cell:
    """One cell of the strip: its worst state, "none" while nothing was recorded, and the faults that began in it.

    losses: how often in it the controller would have lost position or speed; lost_s: for how long it would have been
    without one or the other, in s. seconds: how many of each state, where that is known; a state may have none.
    """

    start_utc_ns: int
    state: CellState
    faults: int
    losses: int = 0
    lost_s: float = 0.0
    seconds: Mapping[CellState, int] = field(default_factory=dict)
