"""What goes with the faults: whether those of a kind come in some circumstance more often than chance would have them.

Exposure is counted: the time spent in each circumstance, without the time in which a fault of that kind was on
already. Faults that come at once are one, and those of a burst are moved together. The minute in which another fault
would be the same one does count: it goes wherever a burst is moved to, and without it the p of bursts would not be
even. The p is that of `permutation`, corrected for all that was asked. Of two circumstances that go together, such as
moving and speed, only the stronger is told, unless the other still matters within it or without it. Where the evidence
is thin, nothing is said.

That two things go together does not prove that one makes the other: the sentence says where to look.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import compress, pairwise
from math import inf, log
from random import Random
from statistics import fmean, pstdev
from typing import Any

from appliance.judge.circumstances import Onset, Second, Seconds
from appliance.judge.goes_with_words import circumstance_says, period_says
from appliance.judge.period import Period, find_period
from appliance.judge.permutation import ENOUGH, Chance, Scan, holm
from appliance.judge.questions import UNKNOWN, Question, about_itself, questions

FALSE_MOST = 0.03
"""Chance that anything is said of a watch in which nothing goes with the faults. Ours, below the usual 0.05."""
RING_MOST = 0.05
"""What is found must also stand, by itself, when all faults are moved as one: this guards against spells of hours."""
BURSTS_LEAST, FAULTS_LEAST = 6, 12
"""Fewer bursts than this tell nothing, unless there are so many faults in them, which are then moved as one."""
APART_S = 60.0
"""Faults that follow within this are one and the same. Ours."""
BURST_S = 300.0
"""Faults that follow within this are of one burst, and not independent. Ours."""
EVEN_PACE = 0.5
"""Where the times from fault to fault spread by less than this share of their mean, there are no bursts. Ours."""
SECONDS_LEAST = 600
WITHIN_S = 2
"""A fault is put down to what was known in the second before it began; by whole seconds that is so near."""
_KINDS_MOST = 8
_MOVES_LEAST, _MOVES_MOST = 2_000, 20_000
_LIFT_LEAST = 1.5
"""Faults must come so many times as often as the time spent explains. Ours: less than this helps nobody."""
_STILL = 0.01
"""p below which a circumstance matters beside a stronger one. Ours."""


@dataclass(slots=True)
class Answer:
    """What one question came to: the scan and its chance; ring: the same with all moved as one, when asked."""

    kind: str
    question: Question
    scan: Scan
    chance: Chance
    ring: Callable[[], Chance]
    faults: int

    @property
    def lift(self) -> float:
        """How many times as often as the time spent explains."""
        return self.scan.hits / (self.scan.faults * self.scan.shares[self.scan.group])

    @property
    def group(self) -> frozenset[int]:
        """The codes of the circumstance found; none where nothing was."""
        return self.question.groups[self.scan.group] if self.scan.group >= 0 else frozenset()

    @property
    def strength(self) -> float:
        """The log likelihood ratio less what there was to choose from: a plain circumstance before a chosen limit."""
        return self.scan.seen - log(len(self.question.groups))

    def sure(self, p: float) -> bool:
        """Whether it is to be told, p being corrected."""
        return p <= FALSE_MOST and self.lift >= _LIFT_LEAST and (self.question.of_time or self.ring().p <= RING_MOST)


def goes_with(seconds: Seconds | Iterable[Second], faults: Sequence[Onset], seed: int = 0) -> list[dict[str, Any]]:
    """What goes with the faults of one watch, surest first: `fault` (kind), `circumstance`, `p`, `says`.

    seconds in order of time. p is corrected for all questions asked. Also `hits` of `of` separate faults in the
    circumstance, and its `share` of the time; for a period, `period_s`. The same input and seed give the same answer.
    """
    seconds = seconds if isinstance(seconds, Seconds) else Seconds(seconds)
    if len(seconds) < SECONDS_LEAST:
        return []
    exposure = Exposure(seconds)
    by_kind: defaultdict[str, list[Onset]] = defaultdict(list)
    for fault in sorted(faults, key=lambda one: one.start_s):
        by_kind[fault.kind].append(fault)
    kinds = sorted(by_kind, key=lambda kind: (-len(by_kind[kind]), kind))[:_KINDS_MOST]
    asked = [(kind, one) for kind in kinds for one in exposure.questions if not about_itself(one.circumstance, kind)]
    moves = min(_MOVES_MOST, max(_MOVES_LEAST, round(5 * (len(asked) + len(kinds)) / FALSE_MOST)))
    chances: list[float] = []
    likely: list[tuple[int, Answer]] = []
    for kind, one in asked:
        answer = exposure.ask(kind, by_kind[kind], one, moves, seed)
        if answer is not None:
            if answer.chance.p <= FALSE_MOST:  # corrected it is greater yet, so others need not be held
                likely.append((len(chances), answer))
            chances.append(answer.chance.p)
    periods = [
        find_period([one.start_s for one in by_kind[kind]], Random(f"{seed} period {kind}"), moves) for kind in kinds
    ]
    told = [one for one in periods if one is not None]
    corrected = holm(chances + [one.chance.p for one in told])
    sure = [(corrected[at], one) for at, one in likely if one.sure(corrected[at])]
    rows = [_row(p, one) for p, one in _without_echoes(exposure, by_kind, sure, seed)]
    explained = {one.kind for _, one in sure if not one.question.of_time}  # what comes again has a pace of its own
    of_kinds = [kind for kind, one in zip(kinds, periods, strict=True) if one is not None]
    rows += [
        _period_row(kind, p, one)
        for kind, p, one in zip(of_kinds, corrected[len(chances) :], told, strict=True)
        if p <= FALSE_MOST and kind not in explained
    ]
    return sorted(rows, key=lambda row: row["p"])


class Exposure:
    """The seconds of a watch, made ready to be asked about."""

    def __init__(self, seconds: Seconds) -> None:
        self.questions = questions(seconds)
        self._starts_s = seconds.starts_s

    def ask(
        self,
        kind: str,
        faults: Sequence[Onset],
        question: Question,
        moves: int,
        seed: int,
        *,
        only: Sequence[bool] | None = None,
        enough: int = ENOUGH,
    ) -> Answer | None:
        """One question about the faults of one kind; None where the evidence is thin. only: the seconds that count."""
        heads = separate(faults)
        counted, places = self._counted(heads, only)
        codes, at = _known(question.codes, counted, places)
        came_s = [self._starts_s[place] for place in places if question.codes[place] != UNKNOWN]
        bursts = _bursts(came_s, at)
        thin = len(bursts) < BURSTS_LEAST
        if (thin and (len(at) < FAULTS_LEAST or question.of_time)) or len(codes) < SECONDS_LEAST:
            return None
        loose = _pause(at) // 4 if thin else round(BURST_S / 2)
        scan = Scan(codes, question.groups, [[one] for one in at] if thin and loose else bursts)
        dice = Random(f"{seed} {kind} {question.circumstance}")
        ring = partial(scan.shifted, dice, moves, enough, loose)
        chance = ring() if thin else scan.scattered(dice, moves, enough, round(BURST_S))
        return Answer(kind, question, scan, chance, ring, len(faults))

    def _counted(self, heads: Sequence[Separate], only: Sequence[bool] | None) -> tuple[bytearray, list[int]]:
        """Which seconds could have held the start of a burst, and which did."""
        counted = bytearray(b"\1" * len(self._starts_s)) if only is None else bytearray(only)
        places: list[int] = []
        for head in heads:
            place = bisect_right(self._starts_s, head.start_s) - 1
            if place < 0 or head.start_s - self._starts_s[place] > 2 or not counted[place]:
                continue  # of a time of which nothing else is known, or that does not count
            for one in head.faults:
                on, over = bisect_right(self._starts_s, one.start_s), bisect_right(self._starts_s, _over_s(one))
                counted[on:over] = bytes(max(0, over - on))
            if not places or places[-1] != place:
                places.append(place)
        return counted, places


@dataclass(slots=True)
class Separate:
    """A fault, or some that followed each other closely and count as one; over_s: when the last was over."""

    faults: list[Onset]
    over_s: float

    @property
    def start_s(self) -> float:
        return self.faults[0].start_s


def separate(faults: Sequence[Onset]) -> list[Separate]:
    """Faults in order of their start, those as one that follow within APART_S of the last one's end."""
    heads: list[Separate] = []
    for fault in faults:
        if heads and fault.start_s <= heads[-1].over_s + APART_S:
            heads[-1].faults.append(fault)
            heads[-1].over_s = max(heads[-1].over_s, _over_s(fault))
        else:
            heads.append(Separate([fault], _over_s(fault)))
    return heads


def _over_s(fault: Onset) -> float:
    return max(fault.start_s, inf if fault.end_s is None else fault.end_s)


def _pause(at: Sequence[int]) -> int:
    """Mean time from fault to fault in s, where they come one by one at an even pace; 0 where they come in bursts."""
    apart = [later - sooner for sooner, later in pairwise(at)]
    return round(fmean(apart)) if pstdev(apart) < EVEN_PACE * fmean(apart) else 0


def _bursts(came_s: Sequence[float], at: Sequence[int]) -> list[list[int]]:
    """What `at` holds for each fault that came at came_s, those together that came within BURST_S of the one before."""
    bursts: list[list[int]] = []
    last_s = -inf
    for start_s, where in zip(came_s, at, strict=True):
        if start_s - last_s > BURST_S:
            bursts.append([])
        bursts[-1].append(where)
        last_s = start_s
    return bursts


def _known(codes: Sequence[int], counted: bytearray, places: Sequence[int]) -> tuple[array[int], list[int]]:
    """The codes of the seconds that count and of which something is known, and where among them the faults came."""
    at: list[int] = []
    before, passed = 0, 0
    for place in places:
        passed += sum(map(bool, compress(codes[before:place], counted[before:place])))
        before = place
        if codes[place] != UNKNOWN:
            at.append(passed)
    return array("I", filter(None, compress(codes, counted))), at


def _without_echoes(
    exposure: Exposure, by_kind: dict[str, list[Onset]], sure: list[tuple[float, Answer]], seed: int
) -> Iterator[tuple[float, Answer]]:
    """Leaves out what only goes with something stronger."""
    kept: list[Answer] = []
    for p, one in sorted(sure, key=lambda pair: -pair[1].strength):
        stronger = [other for other in kept if other.kind == one.kind]
        if all(_still(exposure, by_kind[one.kind], one, other, seed) for other in stronger):
            kept.append(one)
            yield p, one


def _still(exposure: Exposure, faults: Sequence[Onset], one: Answer, stronger: Answer, seed: int) -> bool:
    """Whether a circumstance still matters where the stronger one is, or where it is not."""
    within = [code in stronger.group for code in stronger.question.codes]
    for only in (within, [not there for there in within]):
        again = exposure.ask(one.kind, faults, one.question, round(5 / _STILL), seed, only=only)
        if again is not None and again.chance.p <= _STILL and again.group & one.group:
            return True
    return False


def _row(p: float, one: Answer) -> dict[str, Any]:
    scan, question = one.scan, one.question
    share = scan.shares[scan.group]
    return {
        "fault": one.kind,
        "circumstance": question.circumstance,
        "p": _figure(p),
        "says": circumstance_says(
            one.kind,
            question.circumstance,
            question.says[scan.group],
            hits=scan.hits,
            of=scan.faults,
            faults=one.faults,
            share=share,
            p=p,
            within_s=WITHIN_S if question.lagged else None,
        ),
        "hits": scan.hits,
        "of": scan.faults,
        "share": _figure(share),
    }


def _period_row(kind: str, p: float, one: Period) -> dict[str, Any]:
    return {
        "fault": kind,
        "circumstance": "period",
        "p": _figure(p),
        "says": period_says(kind, one.period_s, one.fitting, one.intervals, p),
        "hits": one.fitting,
        "of": one.intervals,
        "period_s": round(one.period_s, 2),
    }


def _figure(value: float) -> float:
    """Two digits of what is not zero."""
    return float(f"{value:.2g}")
