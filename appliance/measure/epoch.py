"""Epochs: all that was sent for one UTC instant.

Most sentences name their instant; VTG does not, and a ZDA may be stamped some hundredths late. So sentences are grouped
by UTC within a tolerance and by burst: what has no time belongs to the burst that it came in. The order within an
epoch is the maker's.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from appliance.sentence.parse import Sentence
from appliance.sentence.types import GGA, GLL, RMC, VTG, ZDA, Content


@dataclass(slots=True)
class Epoch:
    """One epoch, closed. time_s: the UTC of day that most of it names, None where none does.

    start_ns: the byte time of its first character; end_ns: of its last. contents: type -> what it said (of a type
    that came twice, the last). missing: needed types that were due in it and never came.
    """

    time_s: float | None
    start_ns: int
    end_ns: int
    sentences: list[Sentence] = field(default_factory=list)
    contents: dict[str, Content] = field(default_factory=dict)
    missing: tuple[str, ...] = ()

    @property
    def gga(self) -> GGA | None:
        found = self.contents.get("GGA")
        return found if isinstance(found, GGA) else None

    @property
    def rmc(self) -> RMC | None:
        found = self.contents.get("RMC")
        return found if isinstance(found, RMC) else None

    @property
    def vtg(self) -> VTG | None:
        found = self.contents.get("VTG")
        return found if isinstance(found, VTG) else None

    @property
    def zda(self) -> ZDA | None:
        found = self.contents.get("ZDA")
        return found if isinstance(found, ZDA) else None

    @property
    def gll(self) -> GLL | None:
        found = self.contents.get("GLL")
        return found if isinstance(found, GLL) else None
