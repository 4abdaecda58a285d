"""What a reader hands over besides bytes, and the settings of its line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from appliance.sentence.chunk import Chunk
from appliance.sentence.counters import Counters
from appliance.sentence.setting import Setting

State = Literal["open", "missing", "lost", "stopped"]


@dataclass(slots=True, frozen=True)
class LineSettings:
    """One line and its port. name: "from-receiver" or "from-controller". baud: bits per second, 8N1."""

    name: str
    path: str
    baud: int = 38400

    @property
    def setting(self) -> Setting:
        """How the port is set whenever it is opened."""
        return Setting(self.baud)


@dataclass(slots=True, frozen=True)
class PortState:
    """What has become of a port. at_ns: monotonic. says: what is wrong and what to do, "" if nothing.

    floor_s: when open, for how long the port may hold a byte back, which no jitter figure can be finer than; 0 for a
    pty, None where it is not known or the port is not open.
    """

    line: str
    at_ns: int
    state: State
    says: str
    floor_s: float | None = None


@dataclass(slots=True, frozen=True)
class Tuned:
    """How the port listens from here on: all bytes handed over after this were heard at this setting.

    says: "" if this was asked for or is the configured setting of a port opened anew; else why what was asked for
    cannot be had, and setting is the one before. floor_s: as in PortState, at this setting.
    """

    line: str
    at_ns: int
    setting: Setting
    says: str = ""
    floor_s: float | None = None


@dataclass(slots=True, frozen=True)
class Counted:
    """What the kernel has counted since the port was opened; None: this port cannot tell."""

    line: str
    at_ns: int
    counters: Counters | None


Event = Chunk | PortState | Tuned | Counted
HandOver = Callable[[str, Event], None]
