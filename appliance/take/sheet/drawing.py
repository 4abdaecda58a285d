"""A picture as plain shapes in millimetres, the origin at its upper left: drawn alike on paper and on a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

Ink = Literal["ink", "soft", "hair", "bad", "pale"]
Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]


@dataclass(slots=True, frozen=True)
class Way:
    """A line through points. dash: length of dashes and of the gaps between them; 0: drawn through."""

    points: Sequence[Point]
    width: float = 0.2
    ink: Ink = "ink"
    dash: float = 0.0
    kind: Literal["way"] = "way"


@dataclass(slots=True, frozen=True)
class Area:
    """A filled rectangle, from its upper left."""

    x: float
    y: float
    width: float
    height: float
    ink: Ink = "pale"
    kind: Literal["area"] = "area"


@dataclass(slots=True, frozen=True)
class Ring:
    """A circle about its middle; filled or open."""

    x: float
    y: float
    radius: float
    filled: bool = False
    ink: Ink = "ink"
    kind: Literal["ring"] = "ring"


@dataclass(slots=True, frozen=True)
class Words:
    """A row of text on its base line. size: in points."""

    x: float
    y: float
    text: str
    size: float = 7.0
    anchor: Anchor = "start"
    bold: bool = False
    kind: Literal["words"] = "words"


Shape = Way | Area | Ring | Words


@dataclass(slots=True)
class Drawing:
    """Shapes in the order in which they are drawn. says: what the picture shows, for who does not see it."""

    width: float
    height: float
    says: str
    shapes: list[Shape] = field(default_factory=list)

    def add(self, *shapes: Shape) -> None:
        """More shapes, over those there are."""
        self.shapes += shapes


INKS: dict[Ink, tuple[int, int, int]] = {
    "ink": (18, 23, 20),
    "soft": (69, 76, 71),
    "hair": (190, 194, 186),
    "bad": (150, 20, 32),
    "pale": (234, 236, 230),
}
"""Red, green and blue; on paper it is always day."""
