"""What a loom does to a waveform: pure functions, waveform in, waveform out; outside its span nothing changes.

A disturbance strikes start_s <= t < end_s. What is a matter of chance is drawn from the seed and the second in which
it begins, so a line that comes piece by piece is spoilt as it would be in one. Applied one after the other, in the
order of the wire: talkers are joined, then what the loom adds, then contact and polarity.

Models, each a choice. Noise turns the level over for the length of one bit, at any instant and also while the line
idles: a listener set right then reads exactly one bit wrong, or a start bit where there was none. An open line reads
as mark, since a receiver's input resistor pulls it there (common practice, no source). Of two talkers on one line the
space wins, as where outputs are joined through diodes; between two real RS-232 drivers the stronger one does, and
many receivers then read mark: hence the argument.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from random import Random

from .wave import MARK, SECOND_NS, SPACE, Level, Waveform

Interval = tuple[int, int]  # ns; from <= t < to


def inverted(waveform: Waveform, start_s: float = 0.0, end_s: float = math.inf) -> Waveform:
    """Polarity the wrong way round: mark for space, also while the line idles."""
    return _turned(waveform, [_span(waveform, start_s, end_s)])


def bit_errors(
    waveform: Waveform, baud: int, share: float, seed: int, *, start_s: float = 0.0, end_s: float = math.inf
) -> Waveform:
    """Single bits turned over. share: how many of all bit times at this baud are struck, 0 to 1."""
    _check("share", share)
    bit_ns = round(SECOND_NS / baud)
    begins = _scattered(waveform, share * baud, f"bit errors {seed}", bit_ns)
    return _turned(waveform, _clipped(((at, at + bit_ns) for at in begins), _span(waveform, start_s, end_s)))


def error_bursts(
    waveform: Waveform,
    baud: int,
    rate_hz: float,
    length_s: float,
    seed: int,
    *,
    start_s: float = 0.0,
    end_s: float = math.inf,
    share: float = 0.5,
) -> Waveform:
    """Bursts of noise, rate_hz of them a second on average; within each, this share of the bit times is turned over."""
    _check("share", share)
    bit_ns, length_ns = round(SECOND_NS / baud), round(length_s * SECOND_NS)
    struck: list[Interval] = []
    for begin_ns in _scattered(waveform, rate_hz, f"error bursts {seed}", length_ns):
        dice = Random(f"error burst {seed} {begin_ns}")
        bits = range(begin_ns, begin_ns + length_ns, bit_ns)
        struck += [(at, min(at + bit_ns, begin_ns + length_ns)) for at in bits if dice.random() < share]
    return _turned(waveform, _clipped(struck, _span(waveform, start_s, end_s)))


def contact_loss(waveform: Waveform, losses_s: Iterable[tuple[float, float]]) -> Waveform:
    """A pin that lets go: the line reads as idle. losses_s: when each loss begins and how long it lasts."""
    return _held(waveform, losses_s, MARK)


def held_low(waveform: Waveform, spells_s: Iterable[tuple[float, float]]) -> Waveform:
    """A line shorted to space. spells_s: when each spell begins and how long it lasts."""
    return _held(waveform, spells_s, SPACE)


def losses(lengths_s: Sequence[float], seed: int, start_s: float, end_s: float) -> list[tuple[float, float]]:
    """Losses of these lengths at instants drawn from the span: for `contact_loss` and `held_low`. They may overlap."""
    dice = Random(f"losses {seed}")
    return sorted((dice.uniform(start_s, max(start_s, end_s - length_s)), length_s) for length_s in lengths_s)


def joined(one: Waveform, other: Waveform, *, winner: Level = SPACE) -> Waveform:
    """Two talkers on one line, where both are heard about; where they differ, the winner's level is on the line."""
    start_ns, end_ns = max(one.start_ns, other.start_ns), min(one.end_ns, other.end_ns)
    if start_ns >= end_ns:
        raise ValueError("two talkers can only be joined where their waveforms overlap")
    one, other = one.within(start_ns, end_ns), other.within(start_ns, end_ns)
    winning = [int(one.level == winner), int(other.level == winner)]
    on_line = level = winner if any(winning) else winner ^ 1
    times: list[int] = []
    changes = sorted([(t, 0) for t in one.times_ns] + [(t, 1) for t in other.times_ns])
    for place, (t_ns, which) in enumerate(changes):
        winning[which] ^= 1
        if place + 1 < len(changes) and changes[place + 1][0] == t_ns:
            continue  # both change at once: only what comes of it is on the line
        now = winner if any(winning) else winner ^ 1
        if now != on_line:
            times.append(t_ns)
            on_line = now
    return Waveform(level, times, start_ns, end_ns)


def joined_in(waveform: Waveform, from_s: float) -> Waveform:
    """The line as one who comes to it at this time finds it, in mid-stream; before it there is nothing.

    ValueError: that is not before the end.
    """
    return waveform.within(max(waveform.start_ns, round(from_s * SECOND_NS)), waveform.end_ns)


def _check(name: str, share: float) -> None:
    if not 0 <= share <= 1:
        raise ValueError(f"{name} is {share}; it must be 0 to 1")


def _span(waveform: Waveform, start_s: float = 0.0, end_s: float = math.inf) -> Interval:
    """These seconds as far as the waveform goes, and 1 ns before it: what began earlier is its level before the start.

    Begin and end are the same where it is struck nowhere.
    """
    begin_ns = max(waveform.start_ns - 1, round(start_s * SECOND_NS))
    end_ns = waveform.end_ns if end_s == math.inf else min(waveform.end_ns, round(end_s * SECOND_NS))
    return begin_ns, max(begin_ns, end_ns)


def _clipped(intervals: Iterable[Interval], span: Interval) -> Iterator[Interval]:
    for begin_ns, end_ns in intervals:
        clipped = max(begin_ns, span[0]), min(end_ns, span[1])
        if clipped[0] < clipped[1]:
            yield clipped


def _scattered(waveform: Waveform, rate_hz: float, name: str, length_ns: int) -> Iterator[int]:
    """Instants by pure chance, so many a second on average, of what lasts so long and touches the waveform."""
    if rate_hz <= 0:
        return
    for second in range((waveform.start_ns - length_ns) // SECOND_NS, waveform.end_ns // SECOND_NS + 1):
        dice = Random(f"{name} {second}")
        within_s = dice.expovariate(rate_hz)
        while within_s < 1:
            yield second * SECOND_NS + int(within_s * SECOND_NS)
            within_s += dice.expovariate(rate_hz)


def _turned(waveform: Waveform, intervals: Iterable[Interval]) -> Waveform:
    """The other level in these clipped intervals; where two overlap they undo each other."""
    changes = set(waveform.times_ns)
    for interval in intervals:
        changes ^= set(interval) if interval[0] < interval[1] else set()
    before_ns = waveform.start_ns - 1
    level = waveform.level ^ (before_ns in changes)
    return replace(waveform, level=level, times_ns=sorted(changes - {before_ns, waveform.end_ns}))


def _held(waveform: Waveform, spells_s: Iterable[tuple[float, float]], held: Level) -> Waveform:
    """This level in these spells of (begin, length)."""
    spells = ((round(at_s * SECOND_NS), round((at_s + length_s) * SECOND_NS)) for at_s, length_s in spells_s)
    level, was, times = waveform.level, waveform.times_ns, list[int]()
    settled_ns = waveform.start_ns - 1
    for begin_ns, end_ns in _merged(sorted(_clipped(spells, (settled_ns, waveform.end_ns)))):
        times += was[bisect_right(was, settled_ns) : bisect_left(was, begin_ns)]
        if begin_ns < waveform.start_ns:
            level = held
        elif waveform.level_at(begin_ns - 1) != held:
            times.append(begin_ns)
        if end_ns < waveform.end_ns and waveform.level_at(end_ns) != held:
            times.append(end_ns)
        settled_ns = end_ns
    times += was[bisect_right(was, settled_ns) :]
    return replace(waveform, level=level, times_ns=times)


def _merged(intervals: Sequence[Interval]) -> Iterator[Interval]:
    """Those that touch or overlap as one; in order."""
    begin_ns = end_ns = None
    for first, last in intervals:
        if begin_ns is None or end_ns is None:
            begin_ns, end_ns = first, last
        elif first <= end_ns:
            end_ns = max(end_ns, last)
        else:
            yield begin_ns, end_ns
            begin_ns, end_ns = first, last
    if begin_ns is not None and end_ns is not None:
        yield begin_ns, end_ns
