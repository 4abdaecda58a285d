"""Chance told by moving things: does what is seen come as readily where the faults are put elsewhere in the watch?

Faults come in bursts, and circumstances last. So a second is never moved by itself: each burst of faults is put
anywhere as one, as far from others as bursts are, and the circumstances stay as they follow each other. Stricter yet,
all faults are moved by the same time, round the watch as round a ring, so that lulls and spells of hours stay too; what
goes with something that lasts for hours can hardly be told by that.

The p is that of Besag and Clifford, "Sequential Monte Carlo p-values", Biometrika 78 (1991): once so many moves have
done as well as what was seen, no more are made. Holm, Scand. J. Statist. 6 (1979), corrects for many questions.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, log
from random import Random

ENOUGH = 20
"""Moves that did as well, after which the p is known well enough to be no finding."""
HITS_LEAST, HITS_SHARE = 4, 0.2
"""A circumstance that holds fewer of the faults than this is none to speak of. Ours."""


@dataclass(slots=True, frozen=True)
class Chance:
    """How many moves did better than what was seen, and as well; of how many; and the p that this tells."""

    above: int
    equal: int
    moves: int
    p: float

    def smooth(self, dice: Random) -> float:
        """The p with ties broken by chance: even from 0 to 1 where there is no effect, if all moves were made."""
        return (self.above + dice.random() * (self.equal + 1)) / (self.moves + 1)


def by_moves(seen: float, move: Callable[[], float], most: int, enough: int = ENOUGH) -> Chance:
    """The chance of a statistic as great as `seen`, `move` giving it after one move. enough 0: makes every move."""
    above = equal = 0
    for made in range(1, most + 1):
        value = move()
        above += value > seen
        equal += value == seen
        if enough and above + equal >= enough:
            return Chance(above, equal, made, (above + equal) / made)
    return Chance(above, equal, most, (above + equal + 1) / (most + 1))


def holm(chances: Sequence[float]) -> list[float]:
    """Each p corrected for all of them, in their order."""
    corrected, worst = [0.0] * len(chances), 0.0
    for rank, index in enumerate(sorted(range(len(chances)), key=chances.__getitem__)):
        worst = max(worst, chances[index] * (len(chances) - rank))
        corrected[index] = min(1.0, worst)
    return corrected


class Scan:
    """Looks through groups of codes for the one that holds more of the faults than its share of time explains.

    codes: of each second that counts, 1 and up. groups: the codes of each group. bursts: for each burst, at which of
    these seconds its faults came. `seen`, and what a move gives: the greatest log likelihood ratio of any group
    (Kulldorff, Commun. Statist. Theory Meth. 26 (1997)), so the looking is paid for in the p. `group` is the one found,
    -1 for none, with `hits` of `faults` in it; `shares` are those of the time.
    """

    def __init__(self, codes: Sequence[int], groups: Sequence[frozenset[int]], bursts: Sequence[Sequence[int]]) -> None:
        self._bursts = bursts
        self._seconds = len(codes)
        self.faults = sum(map(len, bursts))
        spent = Counter(codes)
        self.shares = [sum(map(spent.__getitem__, group)) / max(1, len(codes)) for group in groups]
        self._groups_of: dict[int, list[int]] = {code: [] for code in spent}
        for number, group in enumerate(groups):
            if 0 < self.shares[number] < 1:
                for code in group:
                    self._groups_of.setdefault(code, []).append(number)
        self._least = max(HITS_LEAST, ceil(HITS_SHARE * self.faults))
        self._ratios: dict[tuple[int, int], float] = {}
        self._codes = codes
        self.seen, self.group, self.hits = self._greatest([codes[at] for burst in bursts for at in burst])

    def scattered(self, dice: Random, most: int, enough: int = ENOUGH, apart: int = 0) -> Chance:
        """Each burst put anywhere by itself, but as far from the next one as bursts are parted by, `apart` seconds.

        Put nearer they would now and then make one burst as the real ones can not, and the p would be too great.
        """
        twice, seconds, chance = [*self._codes, *self._codes], self._seconds, dice.random
        ends = [burst[-1] for burst in self._bursts]
        pauses = [burst[0] - end for burst, end in zip(self._bursts, [ends[-1] - seconds, *ends], strict=False)]
        apart = min(apart, *pauses)
        inner = [[at - burst[0] for at in burst] for burst in self._bursts]
        free = seconds - sum(burst[-1] + apart for burst in inner)

        def move() -> float:
            dice.shuffle(inner)
            held: list[int] = []
            begins = int(chance() * seconds)
            for start, burst in zip(sorted([chance() * free for _ in inner]), inner, strict=True):
                at = (begins + int(start)) % seconds
                held += [twice[at + after] for after in burst]
                begins += burst[-1] + apart
            return self._greatest(held)[0]

        return by_moves(self.seen, move, most, enough)

    def shifted(self, dice: Random, most: int, enough: int = ENOUGH, loose: int = 0) -> Chance:
        """All faults moved by the same time, round the watch; each burst by up to `loose` seconds more or less.

        Without that, faults at an even pace and passes of one length would be in step again after each pass, and
        nothing could be told of them.
        """
        codes, seconds, chance = list(self._codes), self._seconds, dice.random

        def move() -> float:
            by = chance() * seconds
            held: list[int] = []
            for burst in self._bursts:
                begins = int(by + (2 * chance() - 1) * loose) % seconds
                held += [codes[(at + begins) % seconds] for at in burst]
            return self._greatest(held)[0]

        return by_moves(self.seen, move, most, enough)

    def _greatest(self, codes: Sequence[int]) -> tuple[float, int, int]:
        """The greatest ratio, of which group, with how many of the faults."""
        held: dict[int, int] = {}
        for code in codes:
            held[code] = held.get(code, 0) + 1
        hits: dict[int, int] = {}
        for code, count in held.items():
            for group in self._groups_of[code]:
                hits[group] = hits.get(group, 0) + count
        best, which, least = 0.0, -1, self._least
        for group, count in hits.items():
            if count >= least and (ratio := self._ratio(group, count)) > best:
                best, which = ratio, group
        return best, which, hits.get(which, 0)

    def _ratio(self, group: int, hits: int) -> float:
        """Log likelihood ratio of so many faults in a group; 0 where its share of the time explains them."""
        ratio = self._ratios.get((group, hits))
        if ratio is None:
            expected, missed = self.faults * self.shares[group], self.faults - hits
            ratio = hits * log(hits / expected) + (missed * log(missed / (self.faults - expected)) if missed else 0.0)
            ratio = self._ratios[group, hits] = ratio if hits > expected else 0.0
        return ratio
