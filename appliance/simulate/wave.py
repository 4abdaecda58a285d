"""The wire by bits: bursts become a waveform, as a sender's UART puts it on the line.

A character is a start bit (space, 0), the data bits with the lowest first, a parity bit if there is one, and one or
two stop bits (mark, 1); between characters the line idles at mark. Characters of a burst go back to back, and a burst
begins when it is due or when the wire is free, whichever is later: the line is never faster than its baud.

Times are whole nanoseconds, worked out exactly from the count of bits since the line last idled and rounded once, so
nothing adds up over a day; at 460,800 the rounding is a 4000th of a bit. A waveform covers a span of time, so that a
long run can go through the wire in pieces: `spans` makes them one after the other from any number of bursts.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import count, pairwise

from appliance.sentence.setting import Setting

from .receiver import Burst

SECOND_NS = 1_000_000_000
MARK, SPACE = 1, 0

Level = int  # MARK or SPACE
Times = list[int]  # ns


@dataclass(slots=True, frozen=True)
class Waveform:
    """What a line does in start_ns <= t < end_ns.

    level: before start_ns. times_ns: when it changes to the other level, strictly rising, start_ns <= t < end_ns.
    """

    level: Level
    times_ns: Times
    start_ns: int
    end_ns: int

    def level_at(self, t_ns: int) -> Level:
        """The level at a time within the span, that of a change included; beyond the span the level it has there."""
        return self.level ^ (bisect_right(self.times_ns, t_ns) & 1)

    def within(self, from_ns: int, to_ns: int) -> Waveform:
        """The part in from_ns <= t < to_ns. ValueError: that is not all within this span."""
        if not self.start_ns <= from_ns <= to_ns <= self.end_ns:
            raise ValueError(f"{from_ns} to {to_ns} ns does not lie within {self.start_ns} to {self.end_ns} ns")
        first, last = bisect_left(self.times_ns, from_ns), bisect_left(self.times_ns, to_ns)
        return Waveform(self.level ^ (first & 1), self.times_ns[first:last], from_ns, to_ns)


def encode(
    bursts: Iterable[Burst], setting: Setting, ppm: float = 0.0, *, to_s: float | None = None, idle_s: float = 0.02
) -> Waveform:
    """All of the bursts as one waveform from second 0.

    ppm: how much faster the sender's clock runs than it should. to_s: where the waveform ends; None for idle_s after
    the last stop bit, which gives a slower listener time to finish. A 7-bit setting sends the low 7 bits.
    """
    times: Times = []
    free_ns = 0
    for more, free_ns in _laid_out(bursts, setting, ppm):  # noqa: B007  (the last one is wanted)
        times += more
    until_ns = free_ns + round(idle_s * SECOND_NS) if to_s is None else round(to_s * SECOND_NS)
    return Waveform(MARK, times[: bisect_left(times, until_ns)], 0, until_ns)


def spans(
    bursts: Iterable[Burst], setting: Setting, ppm: float = 0.0, *, span_s: float = 1.0, to_s: float | None = None
) -> Iterator[Waveform]:
    """The same line piece by piece, each of span_s from second 0 and adjoining the last; bursts may go on for ever.

    to_s: where it ends, idle or not; None for an end with the piece in which the last stop bit ends.
    """
    step_ns = round(span_s * SECOND_NS)
    if step_ns < 1:
        raise ValueError(f"span_s is {span_s}; it must be a positive time")
    laid = _laid_out(bursts, setting, ppm)
    level, pending, free_ns, over = MARK, [], 0, False
    for number in count():
        from_ns, until_ns = number * step_ns, (number + 1) * step_ns
        if to_s is not None:
            until_ns = min(until_ns, round(to_s * SECOND_NS))
        # The next burst begins when the last has ended, or later: until then all is known.
        while not over and free_ns < until_ns:
            more = next(laid, None)
            if more is None:
                over = True
            else:
                pending += more[0]
                free_ns = more[1]
        if until_ns <= from_ns or (to_s is None and over and free_ns <= from_ns):
            return
        changes = bisect_left(pending, until_ns)
        yield Waveform(level, pending[:changes], from_ns, until_ns)
        del pending[:changes]
        level ^= changes & 1


def _laid_out(bursts: Iterable[Burst], setting: Setting, ppm: float) -> Iterator[tuple[Times, int]]:
    """For each burst the changes of level in it, and when the wire is free again."""
    bit_ns = Fraction(SECOND_NS, setting.baud) / (1 + Fraction(ppm).limit_denominator(1000) / 1_000_000)
    up, down, half = bit_ns.numerator, bit_ns.denominator, bit_ns.denominator // 2
    changes, length = _changes(setting.bits, setting.parity), setting.bits_per_character
    base_ns = bit = free_ns = 0  # bit: how many have been sent since base_ns without a rest
    for due_s, data in bursts:
        due_ns = round(due_s * SECOND_NS)
        if due_ns >= free_ns:
            base_ns, bit = due_ns, 0
        times: Times = []
        for byte in data:
            times += [base_ns + ((bit + place) * up + half) // down for place in changes[byte]]
            bit += length
        free_ns = base_ns - (-bit * up // down)
        yield times, free_ns


@cache
def _changes(bits: int, parity: str) -> tuple[tuple[int, ...], ...]:
    """For each byte the places in its character where the level changes, counted in bits from the start bit's edge."""
    table = []
    for byte in range(256):
        data = [byte >> place & 1 for place in range(bits)]
        check = {"N": [], "E": [sum(data) & 1], "O": [sum(data) & 1 ^ 1]}[parity]
        levels = [MARK, SPACE, *data, *check, MARK]
        table.append(tuple(place for place, (was, now) in enumerate(pairwise(levels)) if was != now))
    return tuple(table)
