"""Stories: what goes right and wrong with a receiver in the course of some minutes, as data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from .faults import Spell, apply
from .receiver import Burst, Receiver


@dataclass(slots=True, frozen=True)
class Scene:
    """A stretch of a story: start_s <= t < end_s.

    fault: a name from the table of faults, or empty where all is well; intensity and what as in Spell. says: what
    happens, for people.
    """

    start_s: float
    end_s: float
    says: str
    fault: str = ""
    intensity: float | None = None
    what: str = ""


@dataclass(slots=True, frozen=True)
class Story:
    """Scenes in order of their start; scenes may overlap. It is as long as its last end, and then begins anew."""

    name: str
    scenes: tuple[Scene, ...]

    @property
    def length_s(self) -> float:
        """From the start to the end of the last scene."""
        return max(scene.end_s for scene in self.scenes)

    def spells(self, from_s: float = 0.0) -> list[Spell]:
        """The faults of one run of the story that begins at from_s."""
        return [
            Spell(scene.fault, from_s + scene.start_s, from_s + scene.end_s, scene.intensity, scene.what)
            for scene in self.scenes
            if scene.fault
        ]

    def moments(self) -> Iterator[tuple[float, str]]:
        """When each scene begins, in seconds from the first start, and what it says: run after run, for ever."""
        from_s = 0.0
        while True:
            for scene in self.scenes:
                yield from_s + scene.start_s, scene.says
            from_s += self.length_s


# Between two faults lie 26 s: what is judged over ten seconds must clear, and then the clean run comes, of ten more.
# The restart of the receiver stands last, so that a box that has just begun to listen goes from wait to go.
AFTERNOON = Story(
    "an afternoon in the cab",
    (
        Scene(0, 25, "All is well; a go needs a clean run first."),
        Scene(25, 33, "VTG stops: the controller would have no speed.", "message-off", what="VTG"),
        Scene(33, 59, "VTG is back. All is well."),
        Scene(59, 62, "A pump starts and spoils bytes on the loom.", "noise", 0.01),
        Scene(62, 88, "The pump runs quietly. All is well."),
        Scene(88, 94, "The cable comes out of its socket: nothing arrives.", "silence"),
        Scene(94, 120, "The cable is back in. All is well."),
        Scene(120, 195, "Corrections are lost: their age grows.", "age-grows"),
        Scene(150, 175, "The receiver no longer holds RTK: quality 4 becomes 5.", "quality", 5),
        Scene(175, 195, "Quality 5 becomes 2, on corrections about a minute old.", "quality", 2),
        Scene(195, 203, "The corrections are given up: quality 1, a plain fix.", "quality", 1),
        Scene(203, 223, "Corrections are back, and with them quality 4. All is well."),
        Scene(223, 231, "The receiver starts anew and warms up: sentences come, a fix does not.", "no-fix"),
    ),
)

STORIES = {story.name: story for story in (AFTERNOON,)}


def play(story: Story, receiver: Receiver, seed: int, until_s: float | None = None) -> Iterator[Burst]:
    """The bursts of a receiver that lives through the story again and again, up to until_s (None: for ever).

    The receiver's own time and the drive go on; only the faults come again.
    """
    from_s = 0.0
    while until_s is None or from_s < until_s:
        to_s = from_s + story.length_s
        if until_s is not None:
            to_s = min(to_s, until_s)
        yield from apply(receiver.epochs(from_s, to_s), story.spells(from_s), seed)
        from_s = to_s
