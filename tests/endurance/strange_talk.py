"""Traffic that is strange in what it says and when, with sums that are right; drawn from a seed.

A receiver talks epoch by epoch. Spells befall it, several at a time: a field at its limits or beyond, empty or of the
wrong kind; a type that stays away, comes twice, short as before version 2.3 or too long; another talker; a clock that
jumps, stands, runs or spins; a position that teleports, stands or races; a wire that stalls or is damaged.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC
from typing import TYPE_CHECKING

from appliance.sentence.checksum import checksum

if TYPE_CHECKING:
    from tests.endurance.strange_said import (
        CLOCKS,
        EDGES,
        JUMPS_S,
        OLDER,
        OWN,
        PLACES,
        SHAPES,
        TALKERS,
        WRONG,
        Receiver,
        Said,
    )
else:  # as a script it finds its neighbour only
    from strange_said import CLOCKS, EDGES, JUMPS_S, OLDER, OWN, PLACES, SHAPES, TALKERS, WRONG, Receiver, Said

Change = Callable[[Said, random.Random], Said]
"""What a spell does to an epoch."""


@dataclass(slots=True)
class Spell:
    """until_s: of the case. change: to each epoch. late_s: how long what is said waits. damage: share of sentences."""

    until_s: float
    change: Change | None = None
    late_s: float = 0.0
    damage: float = 0.0


def _field(chance: random.Random) -> Change:
    type_ = chance.choice(list(SHAPES))
    kinds = SHAPES[type_]
    number = chance.randrange(len(kinds))
    how = chance.choice(("edge", "edges", "edges", "empty", "wrong", "wrongs"))
    fixed = chance.choice(EDGES[kinds[number]]) if how == "edge" else chance.choice(WRONG) if how == "wrong" else ""

    def change(said: Said, chance: random.Random) -> Said:
        for told, fields in said:
            if told == type_ and number < len(fields):
                value = chance.choice(EDGES[kinds[number]] if how == "edges" else WRONG)
                fields[number] = value if how in ("edges", "wrongs") else fixed
        return said

    return change


def _all_edges(chance: random.Random) -> Change:
    share = chance.choice((0.05, 0.3, 1.0))

    def change(said: Said, chance: random.Random) -> Said:
        for type_, fields in said:
            for number, kind in enumerate(SHAPES[type_][: len(fields)]):
                if chance.random() < share:
                    fields[number] = chance.choice((*EDGES[kind], ""))
        return said

    return change


def _empty(chance: random.Random) -> Change:
    type_ = chance.choice(list(SHAPES))
    return lambda said, _chance: [(told, [""] * len(fields) if told == type_ else fields) for told, fields in said]


def _older(chance: random.Random) -> Change:
    counts = {type_: chance.choice(known) for type_, known in OLDER.items()}
    return lambda said, _chance: [(told, fields[: counts.get(told, 99)]) for told, fields in said]


def _count(chance: random.Random) -> Change:
    type_, count = chance.choice(list(SHAPES)), chance.randrange(20)
    return lambda said, _chance: [
        (told, [*fields, *[""] * 20][:count] if told == type_ else fields) for told, fields in said
    ]


def _away(chance: random.Random) -> Change:
    type_ = chance.choice(list(SHAPES))
    return lambda said, _chance: [one for one in said if one[0] != type_]


def _doubled(chance: random.Random) -> Change:
    type_, times = chance.choice(list(SHAPES)), chance.choice((2, 2, 3, 10))
    return lambda said, _chance: [one for one in said for _ in range(times if one[0] == type_ else 1)]


def _shuffled(_chance: random.Random) -> Change:
    return lambda said, chance: chance.sample(said, len(said))


def _sometimes(chance: random.Random) -> Change:
    share = chance.random()
    return lambda said, chance: [one for one in said if chance.random() < share]


def _claims(chance: random.Random) -> Change:
    """Status, mode and quality as no receiver should tell them beside each other."""
    told = {kind: chance.choice((None, None, "", *EDGES[kind])) for kind in ("status", "mode", "quality")}
    older = chance.random() < 0.5

    def change(said: Said, _chance: random.Random) -> Said:
        for type_, fields in said:
            for number, kind in enumerate(SHAPES[type_][: len(fields)]):
                value = told.get(kind)
                fields[number] = fields[number] if value is None else value
            if older and type_ in OLDER:
                del fields[OLDER[type_][0] :]
        return said

    return change


CHANGES = (
    _field,
    _field,
    _field,
    _claims,
    _claims,
    _all_edges,
    _empty,
    _older,
    _count,
    _away,
    _doubled,
    _shuffled,
    _sometimes,
)


@dataclass
class Talk:
    """The traffic of one seed on a line of so many baud. seconds: how long, without the hours of which nothing is
    heard (slept_s). sentences: how many were said."""

    seed: int
    baud: int
    seconds: float
    sentences: int = 0
    slept_s: float = 0.0
    spells: list[Spell] = field(default_factory=list)

    def pieces(self) -> Iterator[tuple[float, bytes]]:
        """(when its first byte comes, in s of the case, bytes), in order of time and never overlapping."""
        chance = random.Random(f"talk {self.seed}")
        receiver, apart_s = self._receiver(chance), 1 / chance.choice((0.1, 1, 1, 5, 5, 5, 10, 20, 50))
        turn_s, at_s, free_s, next_s = chance.choice((0.5, 3.0, 10.0)), 0.0, 0.0, 1.0
        while at_s < self.seconds:
            if at_s >= next_s:
                next_s = at_s + chance.expovariate(1 / turn_s)
                apart_s = self._befall(receiver, chance, at_s, apart_s)
            self.spells = [spell for spell in self.spells if spell.until_s > at_s]
            late_s = sum(spell.late_s for spell in self.spells)
            if free_s - at_s < 1.5:  # else the receiver leaves an epoch out, since its line is still busy
                data = self._epoch(receiver, chance)
                free_s = max(free_s, at_s + late_s)
                for piece in _cut(data, chance):
                    yield free_s + self.slept_s, piece
                    free_s += len(piece) * 10 / self.baud
            receiver.go_on(apart_s)
            at_s += apart_s

    def _receiver(self, chance: random.Random) -> Receiver:
        types = chance.sample(list(SHAPES), chance.choice((1, 2, 4, 4, 6, len(SHAPES))))
        if chance.random() < 0.8:
            types = list(dict.fromkeys(["GGA", chance.choice(("VTG", "RMC")), chance.choice(("ZDA", "RMC")), *types]))
        if chance.random() < 0.7:
            types.sort(key=list(SHAPES).index)
        utc = chance.choice(CLOCKS[: chance.choice((1, len(CLOCKS)))]).replace(tzinfo=UTC)
        return Receiver(
            utc,
            *chance.choice(PLACES),
            quality=chance.choice((0, 1, 2, 4, 4, 4, 5, 6, 8)),
            speed_mps=chance.choice((0.0, 3.0, 3.0, 40.0)),
            course_deg=chance.uniform(0, 360),
            decimals=chance.choice((0, 2, 4, 5, 8)),
            types=types,
            talker=chance.choice(TALKERS),
        )

    def _befall(self, receiver: Receiver, chance: random.Random, at_s: float, apart_s: float) -> float:
        """Something else begins; the time between epochs from now on."""
        until_s = at_s + chance.choice((0.3, 2.0, 4.0, 12.0, 1e9))
        what = chance.randrange(15)
        if what < 5:
            self.spells.append(Spell(until_s, chance.choice(CHANGES)(chance)))
        elif what == 5:
            receiver.jump(chance.choice(JUMPS_S))
        elif what == 6:
            receiver.utc = chance.choice(CLOCKS).replace(tzinfo=UTC)
        elif what == 7:
            receiver.pace = chance.choice((1.0, 1.0, 0.0, 0.98, 1.001, 2.0, -1.0, 100.0))
        elif what == 8:
            receiver.latitude_deg, receiver.longitude_deg = chance.choice(PLACES)
        elif what == 9:
            receiver.speed_mps = chance.choice((0.0, 0.5, 3.0, 10.0, 300.0, 1e6, 1e10))
            receiver.told_factor = chance.choice((1.0, 1.0, 0.5, 1.852, 1 / 1.852, 3.6, 0.0, -1.0))
            receiver.course_deg, receiver.still = chance.uniform(0, 360), chance.random() < 0.2
        elif what == 10:
            receiver.quality, receiver.decimals = chance.randrange(10), chance.choice((0, 1, 3, 4, 7, 8, 12))
            receiver.age_s = chance.choice((0.0, 1.0, 30.0, 999.0, 1e8))
        elif what == 14 and chance.random() < 0.2:
            gone_s = chance.choice((20, 700, 20_000))
            self.slept_s += gone_s
            receiver.jump(gone_s if chance.random() < 0.7 else 0)
        elif what == 11:
            self.spells.append(Spell(min(until_s, at_s + 12), late_s=chance.choice((0.05, 0.3, 1.0, 5.0))))
        elif what == 12:
            self.spells.append(Spell(min(until_s, at_s + 12), damage=chance.choice((0.02, 0.3, 1.0))))
        elif chance.random() < 0.5:
            receiver.talker = chance.choice(TALKERS)
        else:
            return 1 / chance.choice((0.1, 1, 1, 5, 10, 20, 50))
        return apart_s

    def _epoch(self, receiver: Receiver, chance: random.Random) -> bytes:
        said = receiver.says()
        for spell in self.spells:
            said = spell.change(said, chance) if spell.change else said
        damage = sum(spell.damage for spell in self.spells)
        bodies = [f"{receiver.talker}{type_},{','.join(fields)}" for type_, fields in said]
        if chance.random() < 0.05:
            bodies.append(chance.choice(OWN))
        if chance.random() < 0.05:
            bodies += [chance.choice(TALKERS) + body[2:] for body in bodies]
        self.sentences += len(bodies)
        return b"".join(_damaged(sealed(body), chance, damage) for body in bodies)


def sealed(body: str) -> bytes:
    """A whole sentence with the right sum."""
    raw = body.encode("ascii")
    return b"$%b*%02X\r\n" % (raw, checksum(raw))


def _damaged(sentence: bytes, chance: random.Random, share: float) -> bytes:
    if chance.random() >= share:
        return sentence
    at = chance.randrange(len(sentence))
    how = chance.randrange(4)
    if how == 0:
        return sentence[:at] + chance.randbytes(1) + sentence[at + 1 :]
    if how == 1:
        return sentence[:at]
    if how == 2:
        return sentence[:at] + b"\x00" * chance.choice((1, 30, 300)) + sentence[at:]
    return chance.randbytes(len(sentence))


def _cut(data: bytes, chance: random.Random) -> Iterator[bytes]:
    """In the pieces in which a port may give it."""
    most = chance.choice((7, 64, 4096))
    for at in range(0, len(data), most):
        yield data[at : at + most]
