"""An invented recording with faults in it, and beside it the truth: `linelamp simulate`.

As text it is what the box would give: each sentence behind a TAG block with the time of its first byte. As a history
(.db) it is judged as it is made, as if a box had listened, so that the page and every export can show it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from appliance import __version__
from appliance.history.rows import WatchStart
from appliance.judge import needs as needs_of
from appliance.judge.needs_keys import BAUDS
from appliance.listened import listen
from appliance.recording import Recorded
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.simulate.drive import Drive
from appliance.simulate.faults import FAULTS, Spell, apply
from appliance.simulate.intermittent import WHERE, NowhereError, spells
from appliance.simulate.plans import PLANS
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.story import STORIES, play
from appliance.simulate.talk import TYPES
from appliance.simulate.troubles import TROUBLES, expanded
from appliance.simulate.wire import chunks
from appliance.take.text import tag_block

MACHINE = "Larkmere tractor 3"  # invented
RECEIVER = "from-receiver"
START_UTC = datetime(2026, 5, 4, 9, 12, tzinfo=UTC)
SECONDS_LEAST = 5.0
STARTED_NS = 1_000_000_000_000
_BARE = "silence"  # stands for a trouble until it is expanded; any fault would do


class InventError(ValueError):
    """What was asked for cannot be made; says what was wrong and what may be given."""


@dataclass(slots=True, frozen=True)
class Asked:
    """What is to be made. faults: as given, `NAME`, `NAME=INTENSITY` or `NAME@MESSAGE`.

    from_s, to_s: between these; None: the middle half. times None: on all of that time; else so many spells of lasts_s.
    """

    faults: Sequence[str]
    story: str = ""
    seconds: float = 600.0
    seed: int = 1
    plan: str = "field"
    baud: int = 38_400
    rates_hz: dict[str, float] = field(default_factory=dict)
    decimals: int = 8
    quality: int = 4
    from_s: float | None = None
    to_s: float | None = None
    times: int | None = None
    lasts_s: tuple[float, float] = (3.0, 8.0)
    where: str = "anywhere"
    anyhow: float = 0.0
    needs: str = "rate-section"


class Recording:
    """A recording to be made, checked: raises InventError at once where it cannot be."""

    def __init__(self, asked: Asked) -> None:
        self.asked = asked
        _known("plan", asked.plan, PLANS)
        _known("place or state", asked.where, WHERE)
        if asked.baud not in BAUDS:
            raise InventError(f"{asked.baud} is no usual baud; there are {', '.join(map(str, BAUDS))}.")
        if asked.seconds < SECONDS_LEAST:
            raise InventError(f"{asked.seconds:g} s is too short to tell anything; give at least {SECONDS_LEAST:g}.")
        self.drive = Drive(asked.seed, plan=asked.plan)
        self.settings = _settings(asked)
        self.spells = self._spells()

    def bursts(self) -> Iterator[Burst]:
        """What the receiver sends."""
        asked = self.asked
        receiver = Receiver(self.settings, self.drive, asked.seed)
        said = receiver.epochs(0.0, asked.seconds)
        if asked.story:
            said = play(STORIES[asked.story], receiver, asked.seed, asked.seconds)
        return apply(said, self.spells, asked.seed)

    def truth(self) -> dict[str, Any]:
        """What was done, as plain values for JSON."""
        asked, story = self.asked, self.asked.story
        told = list(self.spells)
        if story:
            rounds = int(asked.seconds // STORIES[story].length_s) + 1
            told += [spell for turn in range(rounds) for spell in STORIES[story].spells(turn * STORIES[story].length_s)]
        return {
            "program": __version__, "seed": asked.seed, "seconds": asked.seconds, "plan": asked.plan,
            "baud": asked.baud, "rates_hz": dict(self.settings.rates_hz), "decimals": asked.decimals,
            "quality": asked.quality, "start_utc": START_UTC.isoformat(), "asked": list(asked.faults),
            "story": story, "where": asked.where,
            "faults": [_told(one) for one in sorted(told, key=lambda one: one.start_s) if one.start_s < asked.seconds],
        }  # fmt: skip

    def _spells(self) -> list[Spell]:
        asked = self.asked
        if asked.story:
            _known("story", asked.story, STORIES)
        from_s = asked.seconds / 4 if asked.from_s is None else asked.from_s
        to_s = asked.seconds * 3 / 4 if asked.to_s is None else asked.to_s
        if not 0 <= from_s < to_s <= asked.seconds:
            raise InventError(
                f"The faults cannot be on from {from_s:g} to {to_s:g} s of a recording of {asked.seconds:g} s."
            )
        found: list[Spell] = []
        for number, given in enumerate(asked.faults):
            name, intensity, what = _parsed(given)
            for spell in self._struck(name, from_s, to_s, number):
                one = Spell(spell.fault, spell.start_s, spell.end_s, intensity, what)
                found += list(expanded(one, name)) if name in TROUBLES else [one]
        return sorted(found, key=lambda one: one.start_s)

    def _struck(self, name: str, from_s: float, to_s: float, number: int) -> list[Spell]:
        asked, fault = self.asked, _BARE if name in TROUBLES else name
        if asked.times is None and asked.where == "anywhere":
            return [Spell(fault, from_s, to_s)]
        try:
            return spells(
                fault, self.drive, from_s=from_s, to_s=to_s, times=asked.times or 1, lasts_s=asked.lasts_s,
                seed=asked.seed + 1000 * number, where=asked.where, anyhow=asked.anyhow,
            )  # fmt: skip
        except NowhereError as trouble:
            raise InventError(
                f"{str(trouble)[0].upper()}{str(trouble)[1:]}. Give a longer recording, other spells, or another plan."
            ) from trouble


def write(recording: Recording, path: Path, progress: Callable[[int], object]) -> Path:
    """Writes the recording to path, and the truth beside it; gives where that is. progress: told the ms made.

    InventError or OSError where it cannot be; a path that is there is not touched.
    """
    truth = path.with_name(f"{path.name}.truth.json")
    for one in (path, truth):
        if one.exists():
            raise InventError(f"{one} is there already. Give another name, or remove it first.")
    if not path.parent.is_dir():
        raise InventError(f"There is no folder {path.parent} to write {path.name} to. Make it first, or give another.")
    if path.suffix == ".db":
        _history(recording, path, progress)
    else:
        with path.open("xb") as file:
            for row in _rows(recording, progress):
                file.write(row)
    truth.write_text(json.dumps(recording.truth(), indent=2) + "\n", encoding="utf-8")
    return truth


def _rows(recording: Recording, progress: Callable[[int], object]) -> Iterator[bytes]:
    """Each frame behind its TAG block; bytes that belong to none are left out, as in a box's own text."""
    framer, start_ms = Framer(), round(START_UTC.timestamp() * 1000)
    for chunk in _chunks(recording, 0, progress):
        for frame in framer.feed(chunk):
            raw = frame.raw if frame.raw.endswith(b"\n") else frame.raw + b"\r\n"
            yield tag_block("receiver", start_ms + frame.start_ns // 1_000_000) + raw


def _chunks(recording: Recording, origin_ns: int, progress: Callable[[int], object]) -> Iterator[Chunk]:
    made_ms = 0
    for chunk in chunks(recording.bursts(), recording.asked.baud, origin_ns=origin_ns, most_bytes=4096, most_s=0.1):
        yield chunk
        at_ms = (chunk.end_ns - origin_ns) // 1_000_000
        progress(at_ms - made_ms)
        made_ms = at_ms


def _history(recording: Recording, path: Path, progress: Callable[[int], object]) -> None:
    """The watch of a box that listened to it."""
    asked = recording.asked
    needs, toml = needs_of.load(asked.needs), needs_of.text(asked.needs)
    start = WatchStart(STARTED_NS, round(START_UTC.timestamp()) * 10**9, needs.name, toml, MACHINE, __version__)
    pieces = (Recorded(RECEIVER, chunk) for chunk in _chunks(recording, STARTED_NS, progress))
    listen(path, pieces, start, needs, baud=asked.baud, end_ns=STARTED_NS + round(asked.seconds * 1e9))


def _settings(asked: Asked) -> ReceiverSettings:
    rates_hz = {"GGA": 5.0, "VTG": 5.0, "RMC": 1.0, "ZDA": 1.0} | asked.rates_hz
    for message in rates_hz:
        _known("message", message, TYPES)
    try:
        return ReceiverSettings(
            rates_hz=rates_hz, decimals=asked.decimals, quality=asked.quality, start_utc=START_UTC, restless=True
        )
    except ValueError as trouble:
        raise InventError(f"The receiver cannot be set so: {trouble}.") from trouble


def _parsed(given: str) -> tuple[str, float | None, str]:
    """Name, intensity and message of a fault as given."""
    rest, _, what = given.partition("@")
    name, equals, much = rest.partition("=")
    _known("fault", name, {**TROUBLES, **FAULTS})
    if name in TROUBLES and (equals or what):
        raise InventError(f"{name} is made of several faults, so it takes no intensity and no message.")
    if not equals:
        return name, None, what
    try:
        return name, float(much), what
    except ValueError:
        unit = FAULTS[name].unit or "a number"
        raise InventError(f"{given}: {much!r} is no number; give {name}={FAULTS[name].usual:g} ({unit}).") from None


def _known(kind: str, name: str, names: Any) -> None:
    if name not in names:
        raise InventError(f"There is no {kind} {name!r}; there are {', '.join(names)}.")


def _told(spell: Spell) -> dict[str, Any]:
    fault = FAULTS[spell.fault]
    return {
        "fault": spell.fault, "says": fault.says, "start_s": round(spell.start_s, 3), "end_s": round(spell.end_s, 3),
        "start_utc": (START_UTC + timedelta(seconds=spell.start_s)).isoformat(timespec="milliseconds"),
        "intensity": fault.usual if spell.intensity is None else spell.intensity, "unit": fault.unit,
        "what": spell.what or fault.what,
    }  # fmt: skip


def rates(given: Sequence[str]) -> dict[str, float]:
    """`GGA=10` and the like, read."""
    found = {}
    for one in given:
        message, _, much = one.partition("=")
        try:
            found[message.upper()] = float(much)
        except ValueError:
            raise InventError(f"A rate is told as MESSAGE=HZ, such as GGA=10, and not as {one!r}.") from None
    return found


def others_in_words() -> Iterator[tuple[str, str]]:
    """What else there is by name: where a fault can be made to come, plans, stories, messages."""
    yield from ((f"--where {name}", where.says) for name, where in WHERE.items())
    yield "--plan", ", ".join(PLANS)
    yield from (("--story", f'"{name}"') for name in STORIES)
    yield "--rate", ", ".join(TYPES)


def faults_in_words() -> Iterator[tuple[str, str]]:
    """Every trouble and fault with what happens, and the usual intensity."""
    for name, trouble in TROUBLES.items():
        yield name, f"{trouble.says} ({', '.join(part.fault for part in trouble.parts)})"
    for name, fault in FAULTS.items():
        usual = f"; usual {fault.usual:g} {fault.unit}" if fault.unit else ""
        yield name, f"{fault.says}{usual}" + (f"; @{fault.what}" if fault.what else "")
